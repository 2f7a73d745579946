-- What the store knows of its loads taken out; its format and the number of its last change stay.
delete from facts where name not in ('format', 'change')

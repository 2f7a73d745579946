-- What the store knows of its loads taken out; its format stays.
delete from facts where name <> 'format'

-- The number of the change of rows that begins.
insert into facts values ('change', $number)

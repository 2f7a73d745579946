-- The format of the store, noted where it is new.
insert into facts
select 'format', $format
where not exists (select 1 from facts where name = 'format')

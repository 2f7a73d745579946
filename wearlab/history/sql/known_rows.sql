-- The rows of a table that had been written down by $as_of, as far as they say; in place of the table. Parameters: as_of.
create or replace temp table THIS_TABLE as
select * from main.THIS_TABLE where coalesce(known_day(attributes) <= $as_of, true)

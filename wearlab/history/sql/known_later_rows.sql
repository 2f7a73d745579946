-- How many rows of a table were written down after $as_of by their own word. Parameters: as_of.
select count(*) from main.THIS_TABLE where known_day(attributes) > $as_of

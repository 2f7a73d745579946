-- The first row number that no row of THIS_TABLE has.
select coalesce(max(row_id) + 1, 0) from THIS_TABLE

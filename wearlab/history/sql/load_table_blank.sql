-- The number of rows of THIS_TABLE that hold nothing in one column.
select count(*) - count(columns(lambda name: name = $column)) from THIS_TABLE

-- All rows of THIS_TABLE taken out.
delete from THIS_TABLE

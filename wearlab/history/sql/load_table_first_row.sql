-- The number of staged rows of one file of THIS_TABLE, and the first of them.
select count(*), min(rowid) from staged_THIS_TABLE where file_id = $file_id

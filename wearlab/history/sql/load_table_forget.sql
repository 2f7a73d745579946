-- The staged rows of one file of THIS_TABLE taken out again.
delete from staged_THIS_TABLE where file_id = $file_id

-- The last line of the staged rows of one file of THIS_TABLE.
select coalesce(max(line), 0) from staged_THIS_TABLE where file_id = $file_id

-- The staged rows of one file of THIS_TABLE that were left to be read carefully.
select rowid from staged_THIS_TABLE where fault = -1 and file_id = $file_id order by rowid

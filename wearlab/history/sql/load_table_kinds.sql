-- The kinds of fault that rows of one file of THIS_TABLE have.
select distinct fault from staged_THIS_TABLE where fault >= 0 and file_id = $file_id order by fault

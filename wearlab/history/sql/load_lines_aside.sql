-- The lines of one file that were set aside.
select line from set_aside where file_id = $id order by line

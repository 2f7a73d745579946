-- The number of rows of THIS_TABLE that came from one file.
select count(*) from THIS_TABLE where file_id = $id

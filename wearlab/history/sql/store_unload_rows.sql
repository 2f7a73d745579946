-- The rows of one file taken out of THIS_TABLE.
delete from THIS_TABLE where file_id = $id

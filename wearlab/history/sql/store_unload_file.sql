-- The standing account of one file taken out.
delete from files where file_id = $id

-- The rows set aside of one file taken out.
delete from set_aside where file_id = $id

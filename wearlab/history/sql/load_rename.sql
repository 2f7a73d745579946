-- The new name of a file whose bytes are those of a file loaded before.
update files set name = $name where file_id = $id

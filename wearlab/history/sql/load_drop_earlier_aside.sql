-- The rows set aside of earlier versions of a file taken out: its latest version has its own.
delete from set_aside
where file_id in (select file_id from files where table_name = $table and name = $name and file_id <> $id)

-- The number of rows of THIS_TABLE that came from earlier versions of a file and are not in its staged rows.
select count(*)
from THIS_TABLE
where file_id in (select file_id from files where table_name = $table and name = $name and file_id <> $id)
  and row_hash not in (select row_hash from staged_THIS_TABLE where file_id = $id and row_hash is not null)

-- The number of rows of THIS_TABLE that came from earlier versions of a file and are not in its staged rows.
select count(*)
from (
  select THESE_COLUMNS from THIS_TABLE
  where file_id in (select file_id from files where table_name = $table and name = $name and file_id <> $id)
  except
  select THESE_COLUMNS from whole_THIS_TABLE where file_id = $id and (fault is null or fault < -1)
)

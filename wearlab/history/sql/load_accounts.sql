-- The standing account of every file that was ever loaded.
select file_id, table_name, name, sha256, rows_read, rows_loaded, rows_set_aside, rows_already_loaded
from files
order by file_id

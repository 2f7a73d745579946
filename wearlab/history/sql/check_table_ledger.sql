-- One row per file whose rows in THIS_TABLE are not as many as the ledger says; a file of no name is not in the ledger.
select file_id, f.name, coalesce(f.rows_loaded, 0), coalesce(r.rows, 0)
from (select file_id, name, rows_loaded from files where table_name = $table) f
full join (select file_id, count(*) as rows from THIS_TABLE group by file_id) r using (file_id)
where coalesce(f.rows_loaded, 0) <> coalesce(r.rows, 0)
order by file_id

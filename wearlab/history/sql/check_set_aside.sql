-- One row per file whose rows set aside are not as many as the ledger says; a file of no name is not in the ledger.
select file_id, f.name, coalesce(f.rows_set_aside, 0), coalesce(a.rows, 0)
from (select file_id, name, rows_set_aside from files) f
full join (select file_id, count(*) as rows from set_aside group by file_id) a using (file_id)
where coalesce(f.rows_set_aside, 0) <> coalesce(a.rows, 0)
order by file_id

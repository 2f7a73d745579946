-- One row per file of the ledger whose sums do not come out, in itself: rows read against what became of them.
select file_id, name, rows_read, rows_loaded + rows_set_aside + rows_already_loaded
from files
where rows_read is distinct from rows_loaded + rows_set_aside + rows_already_loaded
  or least(rows_read, rows_loaded, rows_set_aside, rows_already_loaded) < 0
order by file_id

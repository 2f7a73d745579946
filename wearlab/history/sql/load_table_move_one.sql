-- The new rows of THIS_TABLE where there is one file: its line is the staged row and $shift where the row tells none.
insert into THIS_TABLE by name
select s.* exclude (fault, fault_value, line, file_id), $file_id::integer as file_id,
  coalesce(s.line, s.rowid + $shift) as line, $base + coalesce(s.line, s.rowid + $shift) as row_id
from staged_THIS_TABLE s
where s.fault is null

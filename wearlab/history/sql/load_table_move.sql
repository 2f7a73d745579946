-- The new rows of THIS_TABLE, in the order of files and lines, of the files whose line is the staged row and a shift.
insert into THIS_TABLE by name
select s.* exclude (fault, fault_value, line), coalesce(s.line, s.rowid + p.shift) as line,
  p.base + coalesce(s.line, s.rowid + p.shift) as row_id
from staged_THIS_TABLE s
join placed p on p.file_id = s.file_id and p.table_name = $table and p.shift is not null
where s.fault is null

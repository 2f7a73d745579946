-- The new rows of THIS_TABLE of the files with lines between that are no rows.
insert into THIS_TABLE by name
select s.* exclude (fault, fault_value, line), coalesce(s.line, line_of(s.rowid, b.shift, b.steps)) as line,
  p.base + coalesce(s.line, line_of(s.rowid, b.shift, b.steps)) as row_id
from staged_THIS_TABLE s
join placed p on p.file_id = s.file_id and p.table_name = $table and p.shift is null
left join bulk_lines b on b.file_id = s.file_id and b.block = s.rowid // 256
where s.fault is null

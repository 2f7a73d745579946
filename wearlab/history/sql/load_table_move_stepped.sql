-- The new rows of THIS_TABLE, in the order in which they were read, where lines that are no rows stand between them.
insert into THIS_TABLE by name
select s.* exclude (fault, fault_value, line), coalesce(s.line, s.rowid + b.shift) as line, $first + s.rowid as row_id
from staged_THIS_TABLE s
asof left join bulk_lines b on b.file_id = s.file_id and b.from_row <= s.rowid
where s.fault is null
  and s.rowid not in (select staged_row from aside where table_name = $table and staged_row is not null)
  and s.rowid not in (select staged_row from repeats)

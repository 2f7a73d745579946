-- The new rows of one file of THIS_TABLE, in the order in which they were read, with lines between that are no rows.
insert into THIS_TABLE by name
select s.* exclude (fault, fault_value, line), s.rowid + b.shift as line, $first + s.rowid as row_id
from staged_THIS_TABLE s
asof join bulk_lines b on b.file_id = s.file_id and b.from_row <= s.rowid
where s.file_id = $file_id
  and s.fault is null
  and s.rowid not in (select staged_row from aside where table_name = $table and staged_row is not null)
  and s.rowid not in (select staged_row from repeats)

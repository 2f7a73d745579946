-- The rows set aside, each with its line also where the database read the file itself.
create or replace temp table aside as
select a.table_name, a.file_id,
  coalesce(a.line, line_of(a.staged_row, coalesce(w.shift, b.shift), b.steps)) as line, a.column_name, a.value,
  a.reason, a.staged_row
from aside a
left join bulk_lines w on w.file_id = a.file_id and w.block is null
left join bulk_lines b on b.file_id = a.file_id and b.block = a.staged_row // 256

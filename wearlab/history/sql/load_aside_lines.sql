-- The rows set aside, each with its line also where the database read the file itself.
create or replace temp table aside as
select a.table_name, a.file_id, coalesce(a.line, a.staged_row + b.shift) as line, a.column_name, a.value, a.reason,
  a.staged_row
from aside a
asof left join bulk_lines b on b.file_id = a.file_id and b.from_row <= a.staged_row

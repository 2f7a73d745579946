-- The rows that this load set aside, kept with their reasons.
insert into set_aside
select a.table_name, f.name, a.line, a.column_name, a.value, a.reason, a.file_id
from aside a
join files f on f.file_id = a.file_id
order by a.file_id, a.line

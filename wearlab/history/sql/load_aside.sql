-- Every row that this load sets aside.
select a.table_name, a.file_id, a.line, a.column_name, a.reason, a.value
from aside a
order by a.file_id, a.line

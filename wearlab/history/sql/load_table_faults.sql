-- The staged rows of one file of THIS_TABLE that have a fault, with its column and reason.
insert into aside
select $table, file_id, line, $columns[fault + 1], fault_value, $reasons[fault + 1], rowid
from staged_THIS_TABLE
where fault >= 0 and file_id = $file_id

-- The log of changes, each row with the names of its files.
select c.table_name, c.key, f.name as file, c.line, b.name as by_file, c.by_line
from changes c
join files f on f.file_id = c.file_id
join files b on b.file_id = c.by_file_id
order by list_position(['units', 'positions', 'services'], c.table_name), c.key, c.place

-- The lines that the database could not read as records, each once.
select line, min(csv_line) as text, bool_and(error_type in ('MISSING COLUMNS', 'TOO MANY COLUMNS')) as whole
from reject_errors
group by line
order by line

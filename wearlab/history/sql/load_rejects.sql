-- The lines that the database could not read as records, each once.
select s.file_path, e.line, min(e.csv_line) as text,
  bool_and(e.error_type in ('MISSING COLUMNS', 'TOO MANY COLUMNS')) as whole
from reject_errors e
join reject_scans s on s.scan_id = e.scan_id and s.file_id = e.file_id
group by s.file_path, e.line
order by s.file_path, e.line

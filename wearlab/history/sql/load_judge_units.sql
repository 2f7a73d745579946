-- Units set aside for what their row says as a whole.
insert into aside
select 'units', file_id, line, 'out_of_service_date', out_of_service_date::varchar,
  'before its in_service_date', rowid
from staged_units
where fault is null and out_of_service_date < in_service_date

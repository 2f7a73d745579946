-- One row per service row that a later one with its service_id has replaced: the latest updated_at, else loaded last.
with ranked as (
  select service_id, file_id, line, row_number() over ranking as place,
    first_value(file_id) over ranking as by_file_id, first_value(line) over ranking as by_line
  from services
  where service_id in (select service_id from services group by service_id having count(*) > 1)
  window ranking as (partition by service_id order by updated_at desc nulls last, row_id desc)
)
select 'services' as table_name, r.service_id as key, f.name as file, r.line, b.name as by_file, r.by_line
from ranked r
join files f on f.file_id = r.file_id
join files b on b.file_id = r.by_file_id
where r.place > 1
order by key, r.place

-- One row per unit row that a later one with its unit_id has replaced.
with ranked as (
  select unit_id, file_id, line, row_number() over ranking as place,
    first_value(file_id) over ranking as by_file_id, first_value(line) over ranking as by_line
  from units
  where unit_id in (select unit_id from units group by unit_id having count(*) > 1)
  window ranking as (partition by unit_id order by row_id desc)
)
select 'units' as table_name, r.unit_id as key, f.name as file, r.line, b.name as by_file, r.by_line
from ranked r
join files f on f.file_id = r.file_id
join files b on b.file_id = r.by_file_id
where r.place > 1
order by key, r.place

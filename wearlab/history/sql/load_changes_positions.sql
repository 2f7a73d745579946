-- One row per position row that a later one for the same place on the same unit has replaced.
with ranked as (
  select unit_id, position, file_id, line, row_number() over ranking as place,
    first_value(file_id) over ranking as by_file_id, first_value(line) over ranking as by_line
  from positions
  where (unit_id, position) in (select unit_id, position from positions group by all having count(*) > 1)
  window ranking as (partition by unit_id, position order by row_id desc)
)
select 'positions' as table_name, concat(r.unit_id, ' ', r.position) as key, f.name as file, r.line, b.name as by_file,
  r.by_line
from ranked r
join files f on f.file_id = r.file_id
join files b on b.file_id = r.by_file_id
where r.place > 1
order by key, r.place

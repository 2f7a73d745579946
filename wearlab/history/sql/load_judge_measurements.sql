-- Measurements set aside for a unit, day or position that cannot be.
insert into aside
select 'measurements', file_id, line, found.column_name, found.value, found.reason, staged_row
from (
  select s.file_id, s.line, s.rowid as staged_row,
    case when u.unit_id is null
         then {'column_name': 'unit_id', 'value': s.unit_id, 'reason': 'no such unit in units'}
         when s.date < u.in_service_date
         then {'column_name': 'date', 'value': s.date::varchar,
               'reason': 'before the unit''s in_service_date ' || u.in_service_date::varchar}
         when p.position is null
         then {'column_name': 'position', 'value': s.position, 'reason': 'no such position of this unit in positions'}
    end as found
  from staged_measurements s
  left join known_units u on u.unit_id = s.unit_id
  left join known_positions p on p.unit_id = s.unit_id and p.position = s.position
  where s.fault is null
)
where found is not null

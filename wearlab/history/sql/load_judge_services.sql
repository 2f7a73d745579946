-- Services set aside for what their row says as a whole, or for a unit, day or place that cannot be.
insert into aside
select 'services', file_id, line, found.column_name, found.value, found.reason, staged_row
from (
  select s.file_id, s.line, s.rowid as staged_row,
    case when u.unit_id is null
         then {'column_name': 'unit_id', 'value': s.unit_id, 'reason': 'no such unit in units'}
         when s.date < u.in_service_date
         then {'column_name': 'date', 'value': s.date::varchar,
               'reason': 'before the unit''s in_service_date ' || u.in_service_date::varchar}
         when s.position is not null and p.position is null
         then {'column_name': 'position', 'value': s.position, 'reason': 'no such position of this unit in positions'}
         when s.action = 'replace' and s.position is null and s.component is null
         then {'column_name': 'position', 'value': null, 'reason': 'a replace needs a position or a component'}
         when s.action = 'replace' and s.position is null and c.component is null
         then {'column_name': 'component', 'value': s.component, 'reason': 'this unit has no such component in positions'}
    end as found
  from staged_services s
  left join known_units u on u.unit_id = s.unit_id
  left join known_positions p on p.unit_id = s.unit_id and p.position = s.position
  left join (select distinct unit_id, component from known_positions) c
    on c.unit_id = s.unit_id and c.component = s.component
  where s.fault is null
)
where found is not null

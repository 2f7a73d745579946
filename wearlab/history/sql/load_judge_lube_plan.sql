-- Rows of the lubrication plan set aside for naming neither class nor unit, or a unit that is not known.
insert into aside
select 'lube_plan', file_id, line, found.column_name, found.value, found.reason, staged_row
from (
  select s.file_id, s.line, s.rowid as staged_row,
    case when s.unit_id is null and s.duty_cycle is null
         then {'column_name': 'duty_cycle', 'value': null, 'reason': 'a duty_cycle or a unit_id is required'}
         when s.unit_id is not null and u.unit_id is null
         then {'column_name': 'unit_id', 'value': s.unit_id, 'reason': 'no such unit in units'}
    end as found
  from staged_lube_plan s
  left join known_units u on u.unit_id = s.unit_id
  where s.fault is null
)
where found is not null

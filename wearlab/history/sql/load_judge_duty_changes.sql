-- Rows of duty_changes set aside for a unit or a day that cannot be.
insert into aside
select 'duty_changes', file_id, line, found.column_name, found.value, found.reason, staged_row
from (
  select s.file_id, s.line, s.rowid as staged_row,
    case when u.unit_id is null
         then {'column_name': 'unit_id', 'value': s.unit_id, 'reason': 'no such unit in units'}
         when s.date < u.in_service_date
         then {'column_name': 'date', 'value': s.date::varchar,
               'reason': 'before the unit''s in_service_date ' || u.in_service_date::varchar}
    end as found
  from staged_duty_changes s
  left join known_units u on u.unit_id = s.unit_id
  where s.fault is null
)
where found is not null

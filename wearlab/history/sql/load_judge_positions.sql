-- Positions set aside because their unit is not known.
insert into aside
select 'positions', s.file_id, s.line, 'unit_id', s.unit_id, 'no such unit in units', s.rowid
from staged_positions s
left join known_units u on u.unit_id = s.unit_id
where s.fault is null and u.unit_id is null

-- One row per position of a unit that the store or this load knows, with the component of its latest row.
create or replace temp table known_positions as
select unit_id, position, arg_max(component, place) as component
from (
  select unit_id, position, component, row_id as place
  from positions
  union all
  select unit_id, position, component, 4611686018427387904 + rowid as place
  from staged_positions
  where fault is null and not exists (
    select 1 from aside where aside.table_name = 'positions' and aside.staged_row = staged_positions.rowid)
)
group by unit_id, position

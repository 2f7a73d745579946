-- One row per unit that the store or this load knows, with the in-service date of its latest row.
create or replace temp table known_units as
select unit_id, arg_max(in_service_date, place) as in_service_date
from (
  select unit_id, in_service_date, row_id as place
  from units
  union all
  select unit_id, in_service_date, 4611686018427387904 + rowid as place
  from staged_units
  where fault is null and not exists (
    select 1 from aside where aside.table_name = 'units' and aside.staged_row = staged_units.rowid)
)
group by unit_id

-- One row per measurement that takes part. Parameters: as_of_day.
with placed as (
  select
    u.unit_no, u.in_service_day, coalesce(u.out_of_service_day, $as_of_day) as last_day, m.position,
    day_number(m.date) as day, cast(m.miles as double) as raw_miles, m.quantity, cast(m.value as double) as value, m.unit
  from measurements m
  join unit_now u on u.unit_id = m.unit_id
)
select unit_no, position, day, raw_miles, quantity, value, unit
from placed
where day between in_service_day and least(last_day, $as_of_day)

-- One row per truck: the last day on which any row speaks of it, and whether it has meter readings of its own.
with seen as (
  select unit_no, in_service_day as day, false as reading from unit_now
  union all
  select unit_no, day, false from service_now
  union all
  select unit_no, day, true from reading_now
  union all
  select unit_no, from_day, false from duty_now
  union all
  select unit_no, day, false from measurement_now
)
select unit_no, max(day) as last_day, bool_or(reading) as has_readings
from seen
group by unit_no

-- One row per truck: the last day on which any row speaks of it, and whether it has meter readings of its own.
create or replace temp table unit_seen as
with seen as (
  select unit_no, in_service_date as date, false as reading from unit_now
  union all
  select unit_no, date, false from service_now
  union all
  select unit_no, date, true from reading_now
  union all
  select unit_no, from_date, false from duty_now
  union all
  select unit_no, date, false from measurement_now
)
select unit_no, max(date) as last_date, bool_or(reading) as has_readings
from seen
group by unit_no
order by unit_no

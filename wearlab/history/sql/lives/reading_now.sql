-- One row per meter reading that takes part. Parameters: as_of_day.
with placed as (
  select
    u.unit_no, u.in_service_day, coalesce(u.out_of_service_day, $as_of_day) as last_day, day_number(r.date) as day,
    cast(r.miles as double) as raw_miles, cast(r.engine_hours as double) as raw_hours,
    coalesce(r.meter_replaced, false) as meter_replaced
  from readings r
  join unit_now u on u.unit_id = r.unit_id
)
select unit_no, day, raw_miles, raw_hours, meter_replaced
from placed
where day between in_service_day and least(last_day, $as_of_day)

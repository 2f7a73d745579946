-- One row per truck in service on or before $as_of_day: its latest row, numbered in the order of unit_id.
-- A retirement after $as_of_day had not happened yet. Parameters: as_of_day, records_from_day.
with latest as (
  select
    unit_id, duty_cycle, day_number(in_service_date) as in_service_day, cast(in_service_miles as double) as in_service_miles,
    day_number(out_of_service_date) as out_day, cast(axle_ratio as double) as axle_ratio,
    cast(tire_turns_per_mile as double) as tire_turns_per_mile, nullif(trim(attributes['home_shop']), '') as home_shop,
    row_id, row_number() over (partition by unit_id order by row_id desc) as nth
  from units
)
select
  cast(row_number() over (order by unit_id) as integer) as unit_no,
  unit_id,
  duty_cycle as first_duty_cycle,
  in_service_day,
  coalesce(in_service_miles, 0e0) as in_service_miles,
  greatest(in_service_day, $records_from_day) as record_start,
  case when out_day <= $as_of_day then greatest(out_day, in_service_day) end as out_of_service_day,
  axle_ratio,
  tire_turns_per_mile,
  axle_ratio * tire_turns_per_mile as turns_per_mile,
  home_shop,
  row_id
from latest
where nth = 1 and in_service_day <= $as_of_day

-- One row per truck in service on or before $as_of: its latest row, numbered in the order of unit_id.
-- A retirement after $as_of had not happened yet. Parameters: as_of, records_from.
create or replace temp table unit_now as
with latest as (
  select *
  from units
  qualify row_number() over (partition by unit_id order by row_id desc) = 1
)
select
  row_number() over (order by unit_id) as unit_no,
  unit_id,
  duty_cycle as first_duty_cycle,
  in_service_date,
  coalesce(in_service_miles, 0)::double as in_service_miles,
  greatest(in_service_date, $records_from::date) as record_start,
  case when out_of_service_date <= $as_of::date then greatest(out_of_service_date, in_service_date) end
    as out_of_service_date,
  axle_ratio::double as axle_ratio,
  tire_turns_per_mile::double as tire_turns_per_mile,
  axle_ratio::double * tire_turns_per_mile::double as turns_per_mile,
  attributes
from latest
where in_service_date <= $as_of::date
order by unit_id

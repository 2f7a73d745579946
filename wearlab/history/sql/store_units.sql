-- One row per row of the fleet's units: one truck; distances in miles.
create table if not exists units (
  unit_id varchar,
  duty_cycle varchar,
  in_service_date date,
  in_service_miles double,
  out_of_service_date date,
  axle_ratio double,
  tire_turns_per_mile double,
  attributes map(varchar, varchar),
  row_id bigint,
  file_id integer,
  line bigint
)

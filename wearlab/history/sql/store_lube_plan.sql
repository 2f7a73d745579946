-- One row per row of the fleet's lubrication plan, for a class or for one truck; distances in miles.
create table if not exists lube_plan (
  duty_cycle varchar,
  unit_id varchar,
  from_date date,
  interval_miles double,
  interval_hours double,
  interval_months double,
  attributes map(varchar, varchar),
  row_id bigint,
  file_id integer,
  line bigint
)

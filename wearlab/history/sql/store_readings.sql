-- One row per row of the fleet's meter readings; distances in miles.
create table if not exists readings (
  unit_id varchar,
  date date,
  miles double,
  engine_hours double,
  meter_replaced boolean,
  attributes map(varchar, varchar),
  row_id bigint,
  file_id integer,
  line bigint
)

-- One row per row of the fleet's measurements: one measured quantity of one part; distances in miles.
create table if not exists measurements (
  unit_id varchar,
  position varchar,
  date date,
  miles double,
  quantity varchar,
  value double,
  unit varchar,
  attributes map(varchar, varchar),
  row_id bigint,
  file_id integer,
  line bigint
)

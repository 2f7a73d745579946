-- One row per row of the fleet's positions: one place on a truck where a part sits; distances in miles.
create table if not exists positions (
  unit_id varchar,
  position varchar,
  component varchar,
  shaft varchar,
  hardware varchar,
  installed_date date,
  installed_miles double,
  age_known boolean,
  lot varchar,
  attributes map(varchar, varchar),
  row_id bigint,
  file_id integer,
  line bigint
)

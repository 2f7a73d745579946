-- One row per row of the fleet's duty changes: the class of a truck from that day on.
create table if not exists duty_changes (
  unit_id varchar,
  date date,
  duty_cycle varchar,
  attributes map(varchar, varchar),
  row_id bigint,
  file_id integer,
  line bigint
)

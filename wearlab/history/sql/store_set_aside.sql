-- One row per row of the fleet's files that could not be used: where it stands and why.
create table if not exists set_aside (
  table_name varchar,
  file varchar,
  line bigint,
  column_name varchar,
  value varchar,
  reason varchar,
  file_id integer
)

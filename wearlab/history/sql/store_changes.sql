-- The log of changes: one row per loaded row that a later one with its key has replaced, with the row now in force.
create table if not exists changes (
  table_name varchar,
  key varchar,
  place bigint,
  file_id integer,
  line bigint,
  by_file_id integer,
  by_line bigint
)

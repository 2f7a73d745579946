-- One row per row of this load that cannot be used; staged_row is null for a line that is no row at all.
create or replace temp table aside (
  table_name varchar,
  file_id integer,
  line bigint,
  column_name varchar,
  value varchar,
  reason varchar,
  staged_row bigint
)

-- One row per fact about the store itself: its format, and the mapping and limits its rows were read with.
create table if not exists facts (
  name varchar,
  value varchar
)

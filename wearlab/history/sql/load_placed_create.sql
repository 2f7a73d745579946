-- The files whose rows are moved into the store: shift is line less staged row where the row does not tell its line (null
-- where that is not the same for all rows), base what is added to the line for the number of the row in the store.
create or replace temp table placed (
  table_name varchar,
  file_id integer,
  shift bigint,
  base bigint
)

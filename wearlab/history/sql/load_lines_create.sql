-- How the rows of a file that the database read itself are numbered: from the staged row from_row on, line = row + shift.
create or replace temp table bulk_lines (
  file_id integer,
  from_row bigint,
  shift bigint
)

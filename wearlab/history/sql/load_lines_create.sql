-- How the rows of a file that the database read itself are numbered: line = row + shift + the steps up to the row, by
-- block of 256 staged rows; block is null where shift holds for all rows of the file.
create or replace temp table bulk_lines (
  file_id integer,
  block bigint,
  shift bigint,
  steps bigint[]
)

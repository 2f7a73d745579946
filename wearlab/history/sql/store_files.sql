-- One row per version of a file that was loaded: rows_read = rows_loaded + rows_set_aside + rows_already_loaded.
create table if not exists files (
  file_id integer,
  table_name varchar,
  name varchar,
  sha256 varchar,
  bytes bigint,
  rows_read bigint,
  rows_loaded bigint,
  rows_set_aside bigint,
  rows_already_loaded bigint,
  loaded_at date,
  version varchar
)

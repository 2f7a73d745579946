-- The standing account of one file.
insert into files values (
  $file_id, $table, $name, $sha256, $bytes, $rows_read, $rows_loaded, $rows_set_aside, $rows_already_loaded, $today,
  $version
)

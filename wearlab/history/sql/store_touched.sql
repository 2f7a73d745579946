-- The change of rows (load or unload) that last changed the rows of each truck; unit_id is null where it changed those of all trucks.
create table if not exists touched (
  unit_id varchar,
  change_number bigint
)

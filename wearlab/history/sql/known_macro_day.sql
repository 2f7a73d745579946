-- The day on which a row was written down or last changed, where one of its own columns says so (ISO 8601); else null.
create or replace temp macro known_day(attributes) as coalesce(
  try_cast(left(trim(attributes['posted_date']), 10) as date),
  try_cast(left(trim(attributes['updated_at']), 10) as date),
  try_cast(left(trim(attributes['snapshot_date']), 10) as date)
)

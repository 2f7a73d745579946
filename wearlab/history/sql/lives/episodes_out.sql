-- The episodes as they are written to files.
select
  life_id, unit_id, position, component, duty_cycle, hardware, shop, entry, exit, failed, lower, upper, practised_miles,
  practice_source, raw_practised_miles, gaps_behind, date_of_day(entry_day) as entry_date,
  date_of_day(exit_day) as exit_date, entry_miles, exit_miles, cups_purged_before, grease_grade_before, 1e0 as count
from episode
order by life_id, entry

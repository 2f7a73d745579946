-- The episodes, in the order of lives and ages; what a life and its truck say of all of them is not repeated here.
select
  life_id, cast(unit_no as bigint) as unit_no, duty_cycle, entry, exit, failed, lower, upper,
  practised_miles, practice_source, raw_practised_miles, cast(gaps_behind as bigint) as gaps_behind,
  date_of_day(entry_day) as entry_date, date_of_day(exit_day) as exit_date, entry_miles, exit_miles, cups_purged_before,
  grease_grade_before
from episode
order by life_id, entry

-- The episodes, in the order of lives and ages; what a life and its truck say of all of them is not repeated here.
select
  life_id::bigint as life_id, unit_no::bigint as unit_no, duty_cycle, entry, exit, failed, lower, upper,
  practised_miles, practice_source, raw_practised_miles, gaps_behind::bigint as gaps_behind,
  entry_date, exit_date, entry_miles, exit_miles, cups_purged_before, grease_grade_before
from episode
order by life_id, entry

-- The episodes as they are written to files: with what their life and truck say.
select
  e.life_id, l.unit_id, l.position, l.component, e.duty_cycle, l.hardware, t.shop, e.entry, e.exit, e.failed,
  e.lower, e.upper, e.practised_miles, e.practice_source, e.raw_practised_miles,
  cast(e.gaps_behind as bigint) as gaps_behind, date_of_day(e.entry_day) as entry_date,
  date_of_day(e.exit_day) as exit_date, e.entry_miles, e.exit_miles, e.cups_purged_before, e.grease_grade_before,
  1e0 as count
from episode e
join life l on l.life_id = e.life_id
join truck_shop t on t.unit_no = e.unit_no
order by e.life_id, e.entry

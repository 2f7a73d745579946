-- The stretches of practice, in the order of trucks and time, with what the truck's last stop up to each says.
select
  s.unit_no, s.nth, s.from_at, s.to_at, s.from_day, coalesce(s.to_day, 2147483647) as to_day, s.from_miles, s.to_miles,
  s.duty_cycle, s.practised_miles, s.practice_source, s.raw_practised_miles,
  cast(s.gaps_behind as bigint) as gaps_behind, r.cups_purged_before, r.grease_grade_before
from span s
left join record_before r on r.unit_no = s.unit_no and r.day = s.from_day
order by s.unit_no, s.nth

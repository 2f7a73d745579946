-- The lives that can be fitted, in their order, each with the first and the last stretch of practice that it meets (nth
-- of span) and what the truck's last stop up to its entry says. A failure found at an inspection keeps its interval
-- whole: what changed after the last look does not cut it.
with placed as (
  select
    life_id, unit_no, start_at + entry as entry_at, start_at + exit as exit_at, start_at + lower as lower_at,
    1e-9 * greatest(1e0, abs(start_at + exit)) as nothing
  from life
  where fittable
),
bounded as (
  select
    life_id, unit_no, entry_at + nothing as after_entry, exit_at - nothing as before_exit,
    lower_at + nothing as after_lower
  from placed
),
met as (
  select b.life_id, b.after_entry, b.before_exit, b.after_lower, min(s.nth) as first_span, max(s.nth) as last_span
  from bounded b
  join span s
    on s.unit_no = b.unit_no
    and s.from_at < b.before_exit
    and s.to_at > b.after_entry
    and (b.after_lower is null or s.from_at <= b.after_lower)
  group by b.life_id, b.after_entry, b.before_exit, b.after_lower
)
select
  l.life_id, l.unit_no, l.unit_id, l.position, l.component, l.hardware, t.shop, l.entry, l.exit, l.failed, l.lower,
  l.upper, l.entry_day, l.end_day, l.entry_miles, l.exit_miles, l.start_at, l.start_meter_miles, m.after_entry,
  m.before_exit, m.after_lower, m.first_span, m.last_span, r.cups_purged_before, r.grease_grade_before
from life l
join met m on m.life_id = l.life_id
join truck_shop t on t.unit_no = l.unit_no
left join record_before r on r.unit_no = l.unit_no and r.day = l.entry_day
order by l.life_id

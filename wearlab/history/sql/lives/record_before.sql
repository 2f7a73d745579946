-- One row per truck and day on which a stretch of a life may begin: what its last stop up to then says.
with marks as (
  select unit_no, entry_day as day, null::integer as stop_day from life where fittable
  union all
  select unit_no, from_day, null from span
  union all
  select unit_no, day, day from stop_record
),
daily as (
  select unit_no, day, max(stop_day) as stop_day
  from marks
  group by unit_no, day
),
followed as (
  select
    unit_no, day,
    last_value(stop_day ignore nulls) over (
      partition by unit_no order by day rows between unbounded preceding and current row
    ) as stop_day
  from daily
)
select f.unit_no, f.day, r.cups_purged_before, r.grease_grade_before
from followed f
join stop_record r on r.unit_no = f.unit_no and r.day = f.stop_day

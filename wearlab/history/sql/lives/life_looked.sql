-- One row per life that was looked at: the last look that covered its position before the day that ended it (of a part
-- still in place: up to its last day).
with marks as (
  select unit_no, covers, before_day as day, 0 as kind, place_no, life_number, null::integer as look_day
  from life_key
  union all
  select unit_no, covers, day, 1, null, null, day
  from look
),
followed as (
  select
    unit_no, covers, kind, place_no, life_number,
    max(look_day) over (
      partition by unit_no, covers order by day, kind rows between unbounded preceding and current row
    ) as look_day
  from marks
)
select f.place_no, f.life_number, max(o.day) as day, max(o.miles) as miles, max(o.hours) as hours
from followed f
join look o on o.unit_no = f.unit_no and o.covers = f.covers and o.day = f.look_day
where f.kind = 0
group by f.place_no, f.life_number

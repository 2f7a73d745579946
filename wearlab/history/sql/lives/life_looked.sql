-- One row per life that was looked at: the last look that covered its position before the day that ended it (of a part
-- still in place: up to its last day).
with latest as (
  select k.covers, k.place_no, k.life_number, max(o.day) as day
  from life_key k
  join look o on o.covers = k.covers and o.day < k.before_day
  group by k.covers, k.place_no, k.life_number
)
select l.place_no, l.life_number, max(o.day) as day, max(o.miles) as miles, max(o.hours) as hours
from latest l
join look o on o.covers = l.covers and o.day = l.day
group by l.place_no, l.life_number

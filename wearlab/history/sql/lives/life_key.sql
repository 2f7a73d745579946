-- One row per life and what a look must cover to reach it: its unit, its component or its position. The days in which
-- a regrease belongs to it; before_day: the day before which it was last looked at (a part in place: after its last).
with lives as (
  select
    l.unit_no, l.place_no, l.life_number, p.greased, k.place_no as first_place_no,
    greatest(l.entry_day, l.start_day + 1) as first_day,
    case when l.end_kind = 3 then l.end_day else l.end_day - 1 end as last_day,
    case when l.end_kind = 3 then l.end_day + 1 else l.end_day end as before_day
  from life_timed l
  join position_now p on p.place_no = l.place_no
  join kind_now k on k.unit_no = p.unit_no and k.component = p.component
)
select -unit_no * cast(1000000 as bigint) as covers, place_no, life_number, greased, first_day, last_day, before_day
from lives
union all
select -first_place_no, place_no, life_number, greased, first_day, last_day, before_day from lives
union all
select place_no, place_no, life_number, greased, first_day, last_day, before_day from lives

-- One row per life that was looked at: the last look that covered its position before the day that ended it (of a part
-- still in place: up to its last day).
create or replace temp table life_looked as
with keys as (
  select l.unit_no, l.position, l.life_number, c.covers, l.end_date + case when l.end_kind = 3 then 1 else 0 end as before
  from life_timed l
  join position_now p on p.unit_no = l.unit_no and p.position = l.position
  cross join lateral (
    select unnest(['unit', 'component:' || p.component, 'position:' || p.position]) as covers
  ) c
)
select
  k.unit_no, k.position, k.life_number,
  max(o.date) as date,
  max(o.miles) filter (where o.miles is not null) as miles,
  max(o.hours) filter (where o.hours is not null) as hours
from keys k
asof join look o on o.unit_no = k.unit_no and o.covers = k.covers and o.date < k.before
group by k.unit_no, k.position, k.life_number
order by k.unit_no, k.position, k.life_number

-- One row per life of a greased position: what was done to it during the life, to describe it and never to explain it.
create or replace temp table life_greased as
with stops as (
  select
    l.unit_no, l.position, l.life_number, o.date,
    any_value(l.start_miles + l.entry_miles) as from_miles,
    any_value(l.start_miles + l.exit_miles) as to_miles,
    max(o.miles) as miles,
    avg(o.cups_purged) as cups_purged
  from life_timed l
  join position_now p on p.unit_no = l.unit_no and p.position = l.position and p.greased
  left join look o
    on o.unit_no = l.unit_no
    and o.regreased
    and o.covers in ('unit', 'component:' || p.component, 'position:' || p.position)
    and o.date >= l.entry_date and o.date > l.start_date
    and (o.date < l.end_date or (o.date = l.end_date and l.end_kind = 3))
  group by l.unit_no, l.position, l.life_number, o.date
),
stretches as (
  select
    *,
    miles - lag(miles, 1, from_miles) over (partition by unit_no, position, life_number order by date) as gap_miles
  from stops
)
select
  unit_no, position, life_number,
  count(date) as regreases,
  greatest(max(gap_miles), any_value(to_miles) - coalesce(max(miles), any_value(from_miles))) as longest_gap_miles,
  avg(cups_purged order by date) as cups_purged_mean
from stretches
group by unit_no, position, life_number
order by unit_no, position, life_number

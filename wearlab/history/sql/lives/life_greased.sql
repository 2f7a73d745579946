-- One row per life of a greased position: what was done to it during the life, to describe it and never to explain it.
with stops as (
  select k.place_no, k.life_number, o.day, max(o.miles) as miles, avg(o.cups_purged) as cups_purged
  from life_key k
  join look o on o.covers = k.covers and o.day between k.first_day and k.last_day
  where k.greased and o.regreased
  group by k.place_no, k.life_number, o.day
),
stretches as (
  select
    place_no, life_number, day, miles, cups_purged,
    lag(miles) over during as miles_before,
    lag(day) over during as day_before,
    sum(cups_purged) over (
      partition by place_no, life_number order by day rows between unbounded preceding and current row
    ) as cups_so_far
  from stops
  window during as (partition by place_no, life_number order by day)
),
told as (
  select
    place_no, life_number, count(*) as regreases, max(miles) as last_miles, max(miles - miles_before) as gap_miles,
    max(case when day_before is null then miles end) as first_miles,
    max_by(cups_so_far, day) / nullif(count(cups_purged), 0) as cups_purged_mean
  from stretches
  group by place_no, life_number
)
select
  l.place_no, l.life_number,
  coalesce(t.regreases, 0) as regreases,
  greatest(
    t.gap_miles, t.first_miles - (l.start_miles + l.entry_miles),
    l.start_miles + l.exit_miles - coalesce(t.last_miles, l.start_miles + l.entry_miles)
  ) as longest_gap_miles,
  t.cups_purged_mean
from life_timed l
join position_now p on p.place_no = l.place_no and p.greased
left join told t on t.place_no = l.place_no and t.life_number = l.life_number

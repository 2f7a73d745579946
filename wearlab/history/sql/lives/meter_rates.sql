-- One row per truck: miles and hours per day over the last 365 days of its meters and over the first 365, with the
-- ends of both tracks. A rate is null where the track has one day only.
with track as (
  select 'miles' as meter, unit_no, day, at_first, at_last from miles_track
  union all
  select 'hours', unit_no, day, at_first, at_last from hours_track
),
ends as (
  select unit_no, meter, min(day) as first_day, max(day) as last_day
  from track
  group by unit_no, meter
),
marks as (
  select
    e.unit_no, e.meter, e.first_day, e.last_day,
    max(t.at_last) as at_last,
    min(t.at_first) as at_first,
    coalesce(
      min(case when t.day >= e.last_day - 365 and t.day < e.last_day then t.day end),
      max(case when t.day < e.last_day then t.day end)
    ) as recent_day,
    coalesce(
      max(case when t.day <= e.first_day + 365 and t.day > e.first_day then t.day end),
      min(case when t.day > e.first_day then t.day end)
    ) as early_day
  from ends e
  join track t on t.unit_no = e.unit_no and t.meter = e.meter
  group by e.unit_no, e.meter, e.first_day, e.last_day
),
rates as (
  select
    m.unit_no, m.meter, m.first_day, m.last_day, m.at_last,
    (m.at_last - r.at_last) / (m.last_day - m.recent_day) as recent_per_day,
    (f.at_first - m.at_first) / (m.early_day - m.first_day) as early_per_day
  from marks m
  left join track r on r.unit_no = m.unit_no and r.meter = m.meter and r.day = m.recent_day
  left join track f on f.unit_no = m.unit_no and f.meter = m.meter and f.day = m.early_day
)
select
  u.unit_no,
  m.last_day as last_miles_day, m.at_last as last_miles,
  m.recent_per_day as miles_per_day, m.early_per_day as early_miles_per_day,
  h.last_day as last_hours_day, h.at_last as last_hours,
  h.recent_per_day as hours_per_day, h.early_per_day as early_hours_per_day
from unit_now u
left join rates m on m.unit_no = u.unit_no and m.meter = 'miles'
left join rates h on h.unit_no = u.unit_no and h.meter = 'hours'

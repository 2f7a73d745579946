-- One row per truck: miles and hours per day over the last 365 days of its meters and over the first 365, with the
-- ends of both tracks. A rate is null where the track has one day only.
create or replace temp table meter_rates as
with ends as (
  select unit_no, 'miles' as meter, min(date) as first_date, max(date) as last_date
  from miles_track group by unit_no
  union all
  select unit_no, 'hours', min(date), max(date)
  from hours_track group by unit_no
),
track as (
  select 'miles' as meter, * from miles_track
  union all
  select 'hours', * from hours_track
),
marks as (
  select
    e.unit_no, e.meter, e.first_date, e.last_date,
    max(t.last_value) as last_value,
    min(t.first_value) as first_value,
    coalesce(
      min(t.date) filter (where t.date >= e.last_date - 365 and t.date < e.last_date),
      max(t.date) filter (where t.date < e.last_date)
    ) as recent_date,
    coalesce(
      max(t.date) filter (where t.date <= e.first_date + 365 and t.date > e.first_date),
      min(t.date) filter (where t.date > e.first_date)
    ) as early_date
  from ends e
  join track t on t.unit_no = e.unit_no and t.meter = e.meter
  group by e.unit_no, e.meter, e.first_date, e.last_date
),
rates as (
  select
    m.unit_no, m.meter, m.first_date, m.last_date, m.first_value, m.last_value,
    (m.last_value - r.last_value) / (m.last_date - m.recent_date) as recent_per_day,
    (f.first_value - m.first_value) / (m.early_date - m.first_date) as early_per_day
  from marks m
  left join track r on r.unit_no = m.unit_no and r.meter = m.meter and r.date = m.recent_date
  left join track f on f.unit_no = m.unit_no and f.meter = m.meter and f.date = m.early_date
)
select
  u.unit_no,
  m.first_date as first_miles_date, m.last_date as last_miles_date,
  m.last_value as last_miles, m.recent_per_day as miles_per_day, m.early_per_day as early_miles_per_day,
  h.last_date as last_hours_date, h.last_value as last_hours,
  h.recent_per_day as hours_per_day, h.early_per_day as early_hours_per_day
from unit_now u
left join rates m on m.unit_no = u.unit_no and m.meter = 'miles'
left join rates h on h.unit_no = u.unit_no and h.meter = 'hours'
order by u.unit_no

-- One row per truck and day on which its meters are asked for: miles and hours on that day, joined over replaced
-- meters. Between two days with a value: in proportion to the days; after the last (before the first): carried on at
-- the truck's recent (first) rate for up to $carry_on_days, then unknown. from_day and to_day: the days with miles
-- around it. A joined meter never falls, so the largest value up to a day is the last one.
-- Parameters: as_of_day, carry_on_days.
with marks as (
  select unit_no, day, 1 as asked, null::integer as miles_day, null::double as miles_first, null::double as miles_last,
    null::integer as hours_day, null::double as hours_first, null::double as hours_last
  from service_now
  union all
  select unit_no, installed_day, 1, null, null, null, null, null, null from position_now
  union all
  select unit_no, record_start, 1, null, null, null, null, null, null from unit_now
  union all
  select unit_no, in_service_day, 1, null, null, null, null, null, null from unit_now
  union all
  select unit_no, coalesce(out_of_service_day, $as_of_day), 1, null, null, null, null, null, null from unit_now
  union all
  select unit_no, last_day, 1, null, null, null, null, null, null from unit_seen
  union all
  select unit_no, day, 1, null, null, null, null, null, null from era_moment
  union all
  select unit_no, day, 1, null, null, null, null, null, null from measurement_now
  union all
  select unit_no, day, 1, null, null, null, null, null, null from miles_judged where not kept
  union all
  select unit_no, last_miles_day, 1, null, null, null, null, null, null from meter_rates where last_miles_day is not null
  union all
  select unit_no, last_hours_day, 1, null, null, null, null, null, null from meter_rates where last_hours_day is not null
  union all
  select unit_no, day, 0, day, at_first, at_last, null, null, null from miles_track
  union all
  select unit_no, day, 0, null, null, null, day, at_first, at_last from hours_track
),
daily as (
  select
    unit_no, day, max(asked) as asked,
    max(miles_day) as miles_day, max(miles_first) as miles_first, max(miles_last) as miles_last,
    max(hours_day) as hours_day, max(hours_first) as hours_first, max(hours_last) as hours_last
  from marks
  group by unit_no, day
),
around as (
  select
    unit_no, day, asked,
    max(miles_day) over before as mb_day, max(miles_last) over before as mb,
    min(miles_day) over after as ma_day, min(miles_first) over after as ma,
    max(hours_day) over before as hb_day, max(hours_last) over before as hb,
    min(hours_day) over after as ha_day, min(hours_first) over after as ha
  from daily
  window
    before as (partition by unit_no order by day rows between unbounded preceding and current row),
    after as (partition by unit_no order by day rows between current row and unbounded following)
)
select
  a.unit_no, a.day,
  case
    when mb_day = a.day then mb
    when mb_day is not null and ma_day is not null then mb + (ma - mb) * (a.day - mb_day) / (ma_day - mb_day)
    when a.day - mb_day <= $carry_on_days then mb + r.miles_per_day * (a.day - mb_day)
    when ma_day - a.day <= $carry_on_days then at_least_zero(ma - r.early_miles_per_day * (ma_day - a.day))
  end as miles,
  case
    when mb_day = a.day then 'recorded'
    when mb_day is not null and ma_day is not null then 'interpolated'
    else 'carried on'
  end as miles_source,
  case
    when hb_day = a.day then hb
    when hb_day is not null and ha_day is not null then hb + (ha - hb) * (a.day - hb_day) / (ha_day - hb_day)
    when a.day - hb_day <= $carry_on_days then hb + r.hours_per_day * (a.day - hb_day)
    when ha_day - a.day <= $carry_on_days then at_least_zero(ha - r.early_hours_per_day * (ha_day - a.day))
  end as hours,
  mb_day as from_day,
  ma_day as to_day
from around a
join meter_rates r on r.unit_no = a.unit_no
where a.asked = 1

-- One row per truck and day on which its meters are asked for: miles and hours on that day, joined over replaced
-- meters. Between two days with a value: in proportion to the days; after the last (before the first): carried on at
-- the truck's recent (first) rate for up to $carry_on_days, then unknown. from_day and to_day: the days with miles
-- around it. Parameters: as_of_day, carry_on_days.
with asked as (
  select distinct unit_no, day from service_now
  union
  select unit_no, installed_day from position_now
  union
  select unit_no, record_start from unit_now
  union
  select unit_no, in_service_day from unit_now
  union
  select unit_no, coalesce(out_of_service_day, $as_of_day) from unit_now
  union
  select unit_no, last_day from unit_seen
  union
  select unit_no, day from era_moment
  union
  select unit_no, day from measurement_now
  union
  select unit_no, day from miles_judged where not kept
  union
  select unit_no, last_miles_day from meter_rates where last_miles_day is not null
  union
  select unit_no, last_hours_day from meter_rates where last_hours_day is not null
),
metered as (
  select
    coalesce(m.unit_no, h.unit_no) as unit_no, coalesce(m.day, h.day) as day,
    m.day as miles_day, m.at_first as miles_first, m.at_last as miles_last,
    h.day as hours_day, h.at_first as hours_first, h.at_last as hours_last
  from miles_track m
  full join hours_track h on h.unit_no = m.unit_no and h.day = m.day
),
daily as (
  select
    coalesce(q.unit_no, t.unit_no) as unit_no, coalesce(q.day, t.day) as day, q.unit_no is not null as asked,
    t.miles_day, t.miles_first, t.miles_last, t.hours_day, t.hours_first, t.hours_last
  from metered t
  full join asked q on q.unit_no = t.unit_no and q.day = t.day
),
around as (
  select
    unit_no, day, asked,
    last_value(miles_day ignore nulls) over before as mb_day, last_value(miles_last ignore nulls) over before as mb,
    first_value(miles_day ignore nulls) over after as ma_day, first_value(miles_first ignore nulls) over after as ma,
    last_value(hours_day ignore nulls) over before as hb_day, last_value(hours_last ignore nulls) over before as hb,
    first_value(hours_day ignore nulls) over after as ha_day, first_value(hours_first ignore nulls) over after as ha
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
where a.asked

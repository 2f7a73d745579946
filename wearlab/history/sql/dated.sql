-- One row per truck and day on which its meters are asked for: miles and hours on that day, joined over replaced
-- meters. Between two days with a value: in proportion to the days; after the last (before the first): carried on at
-- the truck's recent (first) rate for up to $carry_on_days, then unknown. Parameters: as_of, carry_on_days.
create or replace temp table dated as
with asked as (
  select unit_no, date from service_now
  union
  select unit_no, installed_date from position_now
  union
  select unit_no, record_start from unit_now
  union
  select unit_no, in_service_date from unit_now
  union
  select unit_no, coalesce(out_of_service_date, $as_of::date) from unit_now
  union
  select unit_no, last_date from unit_seen
  union
  select unit_no, from_date from duty_now
  union
  select u.unit_no, p.from_date from plan_now p join unit_now u on coalesce(p.unit_no, u.unit_no) = u.unit_no
  union
  select unit_no, date from measurement_now
  union
  select unit_no, date from miles_judged where not kept
  union
  select unit_no, last_miles_date from meter_rates where last_miles_date is not null
  union
  select unit_no, last_hours_date from meter_rates where last_hours_date is not null
),
around as (
  select
    d.unit_no, d.date,
    mb.date as mb_date, mb.last_value as mb_value, ma.date as ma_date, ma.first_value as ma_value,
    hb.date as hb_date, hb.last_value as hb_value, ha.date as ha_date, ha.first_value as ha_value
  from asked d
  asof left join miles_track mb on mb.unit_no = d.unit_no and mb.date <= d.date
  asof left join miles_track ma on ma.unit_no = d.unit_no and ma.date >= d.date
  asof left join hours_track hb on hb.unit_no = d.unit_no and hb.date <= d.date
  asof left join hours_track ha on ha.unit_no = d.unit_no and ha.date >= d.date
)
select
  a.unit_no, a.date,
  case
    when mb_date = a.date then mb_value
    when mb_date is not null and ma_date is not null
      then mb_value + (ma_value - mb_value) * (a.date - mb_date) / (ma_date - mb_date)
    when a.date - mb_date <= $carry_on_days then mb_value + r.miles_per_day * (a.date - mb_date)
    when ma_date - a.date <= $carry_on_days then at_least_zero(ma_value - r.early_miles_per_day * (ma_date - a.date))
  end as miles,
  case
    when mb_date = a.date then 'recorded'
    when mb_date is not null and ma_date is not null then 'interpolated'
    else 'carried on'
  end as miles_source,
  case
    when hb_date = a.date then hb_value
    when hb_date is not null and ha_date is not null
      then hb_value + (ha_value - hb_value) * (a.date - hb_date) / (ha_date - hb_date)
    when a.date - hb_date <= $carry_on_days then hb_value + r.hours_per_day * (a.date - hb_date)
    when ha_date - a.date <= $carry_on_days then at_least_zero(ha_value - r.early_hours_per_day * (ha_date - a.date))
  end as hours
from around a
join meter_rates r on r.unit_no = a.unit_no
order by a.unit_no, a.date

-- One row per position: when and at what meter its first part was fitted. installed_miles is believed where it fits
-- between the meter values around installed_date (a part older than the truck's service may lie below); else, and where
-- it is not given, the truck's meter on that day.
create or replace temp table part_start as
with joined as (
  select
    p.unit_no, p.position, p.installed_date, p.fitted_when_new,
    p.installed_miles + coalesce(o.miles - o.raw_miles, 0) as said
  from position_now p
  asof left join (select unit_no, date, miles, raw_miles from miles_judged where kept) o
    on o.unit_no = p.unit_no and o.date <= p.installed_date
),
bounded as (
  select
    j.*, b.first_value as at_least, a.last_value as at_most
  from joined j
  asof left join miles_track b on b.unit_no = j.unit_no and b.date <= j.installed_date
  asof left join miles_track a on a.unit_no = j.unit_no and a.date >= j.installed_date
)
select
  b.unit_no, b.position, b.installed_date as date,
  case
    when b.said is not null and (b.fitted_when_new or b.said >= coalesce(b.at_least, b.said))
      and b.said <= coalesce(b.at_most, b.said) then b.said
    when b.fitted_when_new then coalesce(n.miles, d.miles)
    else d.miles
  end as miles,
  d.hours,
  b.said is not null and not coalesce(
    (b.fitted_when_new or b.said >= coalesce(b.at_least, b.said)) and b.said <= coalesce(b.at_most, b.said), false
  ) as disbelieved
from bounded b
join unit_now u on u.unit_no = b.unit_no
left join dated d on d.unit_no = b.unit_no and d.date = b.installed_date
left join miles_judged n
  on n.unit_no = b.unit_no and n.date = u.in_service_date and n.raw_miles = u.in_service_miles
  and n.kept and not n.meter_replaced
order by b.unit_no, b.position

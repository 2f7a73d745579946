-- One row per position: when and at what meter its first part was fitted. installed_miles is believed where it fits
-- between the meter values around installed_date (a part older than the truck's service may lie below); else, and where
-- it is not given, the truck's meter on that day.
with bounded as (
  select
    p.unit_no, p.place_no, p.installed_day, p.fitted_when_new, p.installed_miles + coalesce(b.added, 0e0) as said,
    b.at_first as at_least, a.at_last as at_most, d.miles, d.hours
  from position_now p
  left join dated d on d.unit_no = p.unit_no and d.day = p.installed_day
  left join miles_track b on b.unit_no = d.unit_no and b.day = d.from_day
  left join miles_track a on a.unit_no = d.unit_no and a.day = d.to_day
),
believed as (
  select
    *,
    coalesce((fitted_when_new or said >= coalesce(at_least, said)) and said <= coalesce(at_most, said), false) as fits
  from bounded
)
select
  b.unit_no, b.place_no, b.installed_day as day,
  case when b.fits then b.said when b.fitted_when_new then coalesce(n.joined, b.miles) else b.miles end as miles,
  b.hours,
  b.said is not null and not b.fits as disbelieved
from believed b
join unit_now u on u.unit_no = b.unit_no
left join miles_judged n
  on n.unit_no = b.unit_no and n.day = u.in_service_day and n.value = u.in_service_miles
  and n.kept and not n.meter_replaced

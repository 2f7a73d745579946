-- One row per line of service_now with its miles and hours: its own meter where that can be right, else the track's.
select
  s.unit_no, s.place_no, s.service_id, s.day, s.position, s.component, s.action, s.grease_grade, s.cups_purged,
  coalesce(j.joined, d.miles) as miles,
  d.hours,
  case when j.joined is not null then 'recorded' when d.miles is not null then
    case d.miles_source when 'recorded' then 'interpolated' else d.miles_source end end as miles_source
from service_now s
left join miles_judged j
  on j.unit_no = s.unit_no and j.day = s.day and j.value = s.raw_miles and not j.meter_replaced and j.kept
left join dated d on d.unit_no = s.unit_no and d.day = s.day

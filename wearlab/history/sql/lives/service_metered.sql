-- One row per line of service_now with its miles and hours: its own meter where that can be right, else the track's.
select
  s.unit_no, s.place_no, s.covers, s.day, s.action, s.cups_purged, s.row_id,
  coalesce(j.joined, d.miles) as miles,
  d.hours,
  j.joined is not null as recorded
from service_now s
left join miles_judged j
  on j.unit_no = s.unit_no and j.day = s.day and j.value = s.raw_miles and not j.meter_replaced and j.kept
left join dated d on d.unit_no = s.unit_no and d.day = s.day

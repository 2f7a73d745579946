-- One row per line of service_now with its miles and hours: its own meter where that can be right, else the track's.
create or replace temp table service_metered as
select
  s.*,
  coalesce(j.miles, d.miles) as miles,
  d.hours,
  case when j.miles is not null then 'recorded' when d.miles is not null then
    case d.miles_source when 'recorded' then 'interpolated' else d.miles_source end end as miles_source
from service_now s
left join miles_judged j
  on j.unit_no = s.unit_no and j.date = s.date and j.raw_miles = s.raw_miles and not j.meter_replaced and j.kept
left join dated d on d.unit_no = s.unit_no and d.date = s.date
order by s.unit_no, s.date, miles, s.service_id

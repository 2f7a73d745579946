-- Every meter value seen, and every service without one, with the miles that are used for it.
with seen as (
  select unit_no, in_service_day as day, in_service_miles as raw_miles, false as meter_replaced, 'in_service' as origin
  from unit_now
  union all
  select unit_no, day, raw_miles, meter_replaced, 'reading'
  from reading_now
  where raw_miles is not null
  union all
  select unit_no, day, raw_miles, false, 'service'
  from service_now
)
select
  u.unit_id, date_of_day(s.day) as date, s.origin, s.raw_miles, coalesce(j.joined, d.miles) as miles,
  coalesce(not j.kept, false) as disregarded, j.reason,
  case when j.joined is null and d.miles is not null then
    case d.miles_source when 'recorded' then 'interpolated' else d.miles_source end end as filled
from seen s
join unit_now u on u.unit_no = s.unit_no
left join miles_judged j
  on j.unit_no = s.unit_no and j.day = s.day and j.value = s.raw_miles and j.meter_replaced = s.meter_replaced
left join dated d on d.unit_no = s.unit_no and d.day = s.day
order by s.unit_no, s.day, s.raw_miles, s.origin

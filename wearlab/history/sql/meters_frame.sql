-- Every meter value seen, and every service without one, with the miles that are used for it.
with reading as (
  select m.unit_no, m.date, m.origin, m.raw_miles, j.miles, not j.kept as disregarded, j.reason, null::varchar as filled,
    m.service_id
  from meter_seen m
  join miles_judged j
    on j.unit_no = m.unit_no and j.date = m.date and j.raw_miles = m.raw_miles and j.meter_replaced = m.meter_replaced
  where m.raw_miles is not null
  union all
  select unit_no, date, origin, null, null, false, null, null, service_id
  from meter_seen
  where raw_miles is null
)
select
  u.unit_id, r.date, r.origin, r.raw_miles, coalesce(r.miles, d.miles) as miles, r.disregarded, r.reason,
  case when r.miles is null and d.miles is not null then
    case d.miles_source when 'recorded' then 'interpolated' else d.miles_source end end as filled
from reading r
join unit_now u on u.unit_no = r.unit_no
left join dated d on d.unit_no = r.unit_no and d.date = r.date
order by r.unit_no, r.date, r.raw_miles, r.origin, r.service_id

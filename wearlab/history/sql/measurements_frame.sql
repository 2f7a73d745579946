-- The measurements, each with the life it was taken in: one taken on the day of a replacement speaks of the old part.
select
  u.unit_id, m.position, p.component, d.duty_cycle, l.life_id::bigint as life_id, m.date,
  coalesce(j.miles, t.miles) as miles,
  case when l.life_id is not null then at_least_zero(coalesce(j.miles, t.miles) - l.start_meter_miles) end as age_miles,
  m.quantity, m.value, m.unit
from measurement_now m
join unit_now u on u.unit_no = m.unit_no
left join position_now p on p.unit_no = m.unit_no and p.position = m.position
asof left join duty_now d on d.unit_no = m.unit_no and d.from_date <= m.date
left join dated t on t.unit_no = m.unit_no and t.date = m.date
left join miles_judged j
  on j.unit_no = m.unit_no and j.date = m.date and j.raw_miles = m.raw_miles and j.kept and not j.meter_replaced
left join life l
  on l.unit_no = m.unit_no and l.position = m.position and m.date <= l.end_date
  and (m.date > l.start_date or (m.date = l.start_date and l.start_kind = 0 and l.exit_days > 0))
order by u.unit_no, m.date, m.position, m.quantity, m.value, life_id

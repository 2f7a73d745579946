-- The measurements, each with the life it was taken in: one taken on the day of a replacement speaks of the old part.
select
  u.unit_id, m.position, p.component, d.duty_cycle, l.life_id, date_of_day(m.day) as date,
  coalesce(j.joined, t.miles) as miles,
  case when l.life_id is not null then at_least_zero(coalesce(j.joined, t.miles) - l.start_meter_miles) end as age_miles,
  m.quantity, m.value, m.unit
from measurement_now m
join unit_now u on u.unit_no = m.unit_no
left join position_now p on p.unit_no = m.unit_no and p.position = m.position
left join duty_now d on d.unit_no = m.unit_no and m.day >= d.from_day and m.day < d.until_day
left join dated t on t.unit_no = m.unit_no and t.day = m.day
left join miles_judged j
  on j.unit_no = m.unit_no and j.day = m.day and j.value = m.raw_miles and j.kept and not j.meter_replaced
left join life l
  on l.place_no = p.place_no and m.day <= l.end_day
  and (m.day > l.start_day or (m.day = l.start_day and l.start_kind = 0 and l.exit_days > 0))
order by u.unit_no, m.day, m.position, m.quantity, m.value, l.life_id

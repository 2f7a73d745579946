-- One row per truck and day with a regrease. Parameters: scale.
with told as (
  select m.unit_no, m.day, min_by(s.grease_grade, s.service_id) as grease_grade
  from service_metered m
  join services s on s.row_id = m.row_id
  where m.action = 'regrease' and s.grease_grade is not null
  group by m.unit_no, m.day
)
select
  m.unit_no, m.day,
  max(m.miles) as miles,
  max(m.hours) as hours,
  to_scale($scale, max(m.miles), max(m.hours), m.day, max(u.turns_per_mile)) as place,
  avg(m.cups_purged) as cups_purged,
  max(t.grease_grade) as grease_grade
from service_metered m
join unit_now u on u.unit_no = m.unit_no
left join told t on t.unit_no = m.unit_no and t.day = m.day
where m.action = 'regrease'
group by m.unit_no, m.day

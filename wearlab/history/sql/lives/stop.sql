-- One row per truck and day with a regrease. Parameters: scale.
select
  s.unit_no, s.day,
  max(s.miles) as miles,
  max(s.hours) as hours,
  to_scale($scale, max(s.miles), max(s.hours), s.day, max(u.turns_per_mile)) as place,
  avg(s.cups_purged) as cups_purged,
  min_by(s.grease_grade, s.service_id) filter (where s.grease_grade is not null) as grease_grade
from service_metered s
join unit_now u on u.unit_no = s.unit_no
where s.action = 'regrease'
group by s.unit_no, s.day

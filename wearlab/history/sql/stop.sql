-- One row per truck and day with a regrease. positions: null = the whole unit. Parameters: scale.
create or replace temp table stop as
select
  s.unit_no, s.date,
  max(s.miles) as miles,
  max(s.hours) as hours,
  to_scale($scale, max(s.miles), max(s.hours), s.date, any_value(u.turns_per_mile)) as place,
  case when count(*) filter (where s.position is null) = 0
    then string_agg(distinct s.position, '; ' order by s.position) end as positions,
  first(s.shop order by s.service_id) filter (where s.shop is not null) as shop,
  first(s.crew order by s.service_id) filter (where s.crew is not null) as crew,
  avg(s.cups_purged) as cups_purged,
  first(s.grease_grade order by s.service_id) filter (where s.grease_grade is not null) as grease_grade,
  first(s.miles_source order by s.miles desc nulls last, s.miles_source desc) as miles_source
from service_metered s
join unit_now u on u.unit_no = s.unit_no
where s.action = 'regrease'
group by s.unit_no, s.date
order by s.unit_no, s.date

-- The regrease stops. positions: null = the whole unit.
with told as (
  select
    m.unit_no, m.day,
    case when count(*) filter (where m.position is null) = 0
      then string_agg(distinct m.position, '; ' order by m.position) end as positions,
    min_by(s.shop, s.service_id) filter (where s.shop is not null) as shop,
    min_by(s.crew, s.service_id) filter (where s.crew is not null) as crew,
    first(m.miles_source order by m.miles desc nulls last, m.miles_source desc) as miles_source
  from service_metered m
  join service_now s on s.service_id = m.service_id
  where m.action = 'regrease'
  group by m.unit_no, m.day
)
select
  u.unit_id, date_of_day(s.day) as date, s.miles, s.hours, t.positions, t.shop, t.crew, s.cups_purged, s.grease_grade,
  t.miles_source
from stop s
join told t on t.unit_no = s.unit_no and t.day = s.day
join unit_now u on u.unit_no = s.unit_no
order by s.unit_no, s.day

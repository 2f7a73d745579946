-- The regrease stops. positions: null = the whole unit.
with told as (
  select
    m.unit_no, m.day,
    case when count(*) filter (where nullif(trim(s.position), '') is null) = 0
      then string_agg(distinct trim(s.position), '; ' order by trim(s.position)) end as positions,
    min_by(s.shop, s.service_id) filter (where s.shop is not null) as shop,
    min_by(s.crew, s.service_id) filter (where s.crew is not null) as crew,
    max(case when m.recorded then m.miles end) as recorded_miles
  from service_metered m
  join services s on s.row_id = m.row_id
  where m.action = 'regrease'
  group by m.unit_no, m.day
)
select
  u.unit_id, date_of_day(s.day) as date, s.miles, s.hours, t.positions, t.shop, t.crew, s.cups_purged, s.grease_grade,
  case when t.recorded_miles = s.miles then 'recorded'
    when d.miles is not null then case d.miles_source when 'recorded' then 'interpolated' else d.miles_source end
  end as miles_source
from stop s
join told t on t.unit_no = s.unit_no and t.day = s.day
join unit_now u on u.unit_no = s.unit_no
left join dated d on d.unit_no = s.unit_no and d.day = s.day
order by s.unit_no, s.day

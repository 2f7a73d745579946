-- Each life that can be fitted, cut at changes of duty cycle only: its exposure in each class. Parameters: scale.
with placed as (
  select life_id, unit_no, component, entry, exit, start_at
  from life
  where fittable
),
classes as (
  select
    e.unit_no, e.duty_cycle,
    case when e.from_day = u.in_service_day then cast('-infinity' as double)
      else to_scale($scale, d.miles, d.hours, d.day, u.turns_per_mile) end as from_at
  from duty_now e
  join unit_now u on u.unit_no = e.unit_no
  join dated d on d.unit_no = e.unit_no and d.day = e.from_day
),
stretches as (
  select
    *,
    coalesce(lead(from_at) over (partition by unit_no order by from_at), cast('infinity' as double)) as to_at
  from classes
  where from_at is not null
)
select
  p.component, s.duty_cycle,
  least(s.to_at - p.start_at, p.exit) - greatest(s.from_at - p.start_at, p.entry) as exposure
from placed p
join stretches s on s.unit_no = p.unit_no and s.from_at < p.start_at + p.exit and s.to_at > p.start_at + p.entry
order by p.life_id, s.from_at

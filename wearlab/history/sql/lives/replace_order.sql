-- One row per replacement order with the place it belongs to: its own, or the only one of its component; null
-- where the truck has several such parts (position not recorded). Orders for places that are not listed, or dated
-- before the part there was fitted, are left out here and counted by lives_ignored. Parameters: unknown_as_failure.
with placed as (
  select
    m.unit_no, m.service_id, m.day, m.miles, m.hours, m.component, k.places, k.greased as any_greased,
    case when m.position is not null then m.place_no when k.places = 1 then k.place_no end as place_no
  from service_metered m
  left join kind_now k on k.unit_no = m.unit_no and k.component = m.component and m.position is null
  where m.action = 'replace'
),
named as (
  select
    o.unit_no, p.place_no, coalesce(p.component, o.component) as component, coalesce(p.greased, o.any_greased) as greased,
    o.service_id, o.day, o.miles, o.hours
  from placed o
  left join position_now p on p.place_no = o.place_no
  where (p.place_no is not null and o.day >= p.installed_day) or (o.place_no is null and o.places > 1)
)
select
  n.unit_no, n.place_no, n.component, n.greased, n.service_id, n.day, n.miles, n.hours,
  case when $unknown_as_failure and s.reason = 'unknown' then 'failure' else s.reason end as reason,
  s.reason = 'unknown' as unknown_ending,
  s.found_at, s.failure_mode, s.lot, s.shop, s.crew, s.grease_grade, s.labor_hours, s.parts_cost, s.row_id,
  row_number() over (partition by n.place_no order by n.day, n.miles, n.service_id) as nth
from named n
join service_now s on s.service_id = n.service_id

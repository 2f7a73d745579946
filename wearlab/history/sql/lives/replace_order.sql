-- One row per replacement order with the place it belongs to: its own, or the only one of its component; null
-- where the truck has several such parts (position not recorded). Orders for places that are not listed, or dated
-- before the part there was fitted, are left out here and counted by lives_ignored. Parameters: unknown_as_failure.
with placed as (
  select
    m.unit_no, m.day, m.miles, m.hours, m.row_id, k.component, k.places, k.greased as any_greased,
    coalesce(m.place_no, case when k.places = 1 then k.place_no end) as place_no
  from service_metered m
  left join kind_now k on k.place_no = -m.covers
  where m.action = 'replace'
),
named as (
  select
    o.unit_no, p.place_no, coalesce(p.component, o.component) as component, coalesce(p.greased, o.any_greased) as greased,
    o.day, o.miles, o.hours, o.row_id
  from placed o
  left join position_now p on p.place_no = o.place_no
  where (p.place_no is not null and o.day >= p.installed_day) or (o.place_no is null and o.places > 1)
)
select
  n.unit_no, n.place_no, n.component, n.greased, n.day, n.miles, n.hours,
  case when $unknown_as_failure and coalesce(s.reason, 'unknown') = 'unknown' then 'failure'
    else coalesce(s.reason, 'unknown') end as reason,
  coalesce(s.reason, 'unknown') = 'unknown' as unknown_ending,
  s.found_at, s.failure_mode, s.lot, s.shop, s.crew, s.grease_grade, cast(s.labor_hours as double) as labor_hours,
  cast(s.parts_cost as double) as parts_cost, s.row_id,
  row_number() over (partition by n.place_no order by n.day, n.miles, s.service_id) as nth
from named n
join services s on s.row_id = n.row_id

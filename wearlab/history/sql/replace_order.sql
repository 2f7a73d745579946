-- One row per replacement order with the position it belongs to: its own, or the only one of its component; null
-- where the truck has several such parts (position not recorded). Orders for places that are not listed, or dated
-- before the part there was fitted, are left out here and counted by lives_ignored. Parameters: unknown_as_failure.
create or replace temp table replace_order as
with kinds as (
  select unit_no, component, count(*) as places, min(position) as position
  from position_now
  group by unit_no, component
)
select
  s.unit_no, p.position, coalesce(p.component, s.component) as component, coalesce(p.greased, k.greased) as greased,
  s.service_id, s.date, s.miles, s.hours,
  case when $unknown_as_failure and s.reason = 'unknown' then 'failure' else s.reason end as reason,
  s.reason = 'unknown' as unknown_ending,
  s.found_at, s.failure_mode, s.lot, s.shop, s.crew, s.grease_grade, s.labor_hours, s.parts_cost, s.attributes
from service_metered s
left join kinds one on one.unit_no = s.unit_no and one.component = s.component and s.position is null and one.places = 1
left join position_now p on p.unit_no = s.unit_no and p.position = coalesce(s.position, one.position)
left join (select unit_no, component, bool_or(greased) as greased from position_now group by all) k
  on k.unit_no = s.unit_no and k.component = s.component and s.position is null and one.position is null
where s.action = 'replace'
  and (p.position is not null and s.date >= p.installed_date or k.component is not null)
order by s.unit_no, p.position, s.date, s.miles, s.service_id

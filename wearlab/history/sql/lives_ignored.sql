-- How many loaded rows up to $as_of say nothing that lives can be made of, and why. Parameters: as_of.
with rows as (
  select 'service of a truck that is not listed' as why, count(*) as n
  from services where date <= $as_of::date and unit_id not in (select unit_id from units)
  union all
  select 'service dated before the truck was in service, or after it left', count(*)
  from services s join unit_now u on u.unit_id = s.unit_id
  where s.date <= $as_of::date and (s.date < u.in_service_date or s.date > u.out_of_service_date)
  union all
  select 'replacement for a place that is not listed', count(*)
  from service_now s
  where s.action = 'replace' and not exists (
    select 1 from position_now p
    where p.unit_no = s.unit_no and (p.position = s.position or (s.position is null and p.component = s.component))
  )
  union all
  select 'replacement dated before the first part there was fitted (installed_date)', count(*)
  from service_now s
  join position_now p on p.unit_no = s.unit_no and p.position = s.position
  where s.action = 'replace' and s.date < p.installed_date
  union all
  select 'truck of which no position is listed', count(*)
  from unit_now where unit_no not in (select unit_no from position_now)
  union all
  select 'installed_miles that the truck''s meter contradicts', count(*) from part_start where disbelieved
)
select why, n::bigint as n from rows where n > 0 order by why

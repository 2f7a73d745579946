-- How many loaded rows of this piece say nothing that lives can be made of, and why.
with rows as (
  select 'replacement for a place that is not listed' as why, count(*) as n
  from service_now
  where action = 'replace' and (covers is null or covers = -unit_no * cast(1000000 as bigint))
  union all
  select 'replacement dated before the first part there was fitted (installed_date)', count(*)
  from service_now s
  join position_now p on p.place_no = s.place_no
  where s.action = 'replace' and s.day < p.installed_day
  union all
  select 'truck of which no position is listed', count(*)
  from unit_now u
  left join (select distinct unit_no from position_now) p on p.unit_no = u.unit_no
  where p.unit_no is null
  union all
  select 'installed_miles that the truck''s meter contradicts', count(*) from part_start where disbelieved
)
select why, cast(n as bigint) as n from rows where n > 0 order by why

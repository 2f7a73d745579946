-- One row per work-order line that takes part: the latest version of its service_id, dated within the truck's service
-- and up to $as_of. With $known_then only what had been posted by $as_of counts, and of its versions those updated by
-- then come first. Parameters: as_of, known_then.
create or replace temp table service_now as
with latest as (
  select *
  from services
  where not $known_then or coalesce(posted_date, date)::date <= $as_of::date
  qualify row_number() over (
    partition by service_id
    order by
      case when $known_then and updated_at::date > $as_of::date then 1 else 0 end,
      updated_at desc nulls last,
      row_id desc
  ) = 1
)
select
  u.unit_no,
  s.service_id,
  s.date,
  s.miles::double as raw_miles,
  nullif(trim(s.position), '') as position,
  nullif(trim(s.component), '') as component,
  s.action,
  coalesce(s.reason, 'unknown') as reason,
  s.found_at,
  s.failure_mode,
  s.lot,
  s.shop,
  s.crew,
  s.grease_grade,
  s.cups_purged::double as cups_purged,
  s.labor_hours::double as labor_hours,
  s.parts_cost::double as parts_cost,
  s.attributes
from latest s
join unit_now u on u.unit_id = s.unit_id
where s.date <= least($as_of::date, coalesce(u.out_of_service_date, $as_of::date))
  and s.date >= u.in_service_date
order by u.unit_no, s.date, s.service_id

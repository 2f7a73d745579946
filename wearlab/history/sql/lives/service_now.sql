-- One row per work-order line that takes part: the latest version of its service_id, dated within the truck's service
-- and up to $as_of_day. place_no is null where the place is not listed. Parameters: as_of_day, known_then.
with placed as (
  select
    u.unit_no, u.in_service_day, coalesce(u.out_of_service_day, $as_of_day) as last_day,
    s.service_id, day_number(s.date) as day, cast(s.miles as double) as raw_miles,
    nullif(trim(s.position), '') as position, nullif(trim(s.component), '') as component, s.action,
    coalesce(s.reason, 'unknown') as reason, s.found_at, s.failure_mode, s.lot, s.shop, s.crew, s.grease_grade,
    cast(s.cups_purged as double) as cups_purged, cast(s.labor_hours as double) as labor_hours,
    cast(s.parts_cost as double) as parts_cost, s.row_id
  from services s
  join unit_now u on u.unit_id = s.unit_id
  left join superseded o on o.row_id = s.row_id
  where o.row_id is null and (not $known_then or day_number(coalesce(s.posted_date, s.date)) <= $as_of_day)
)
select
  s.unit_no, p.place_no, s.service_id, s.day, s.raw_miles, s.position, s.component, s.action, s.reason, s.found_at,
  s.failure_mode, s.lot, s.shop, s.crew, s.grease_grade, s.cups_purged, s.labor_hours, s.parts_cost, s.row_id
from placed s
left join position_now p on p.unit_no = s.unit_no and p.position = s.position
where s.day between s.in_service_day and least(s.last_day, $as_of_day)

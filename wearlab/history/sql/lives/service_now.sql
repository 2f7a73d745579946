-- One row per work-order line that takes part: the latest version of its service_id, dated within the truck's service
-- and up to $as_of_day. What else it says is read from its row where that is needed. place_no is null where no position
-- is given or none of this name is listed. covers: the place where a position is given, less the first place_no of its
-- component where only that is given, less the number of the truck where neither is; null where such a place is not
-- listed. Parameters: as_of_day, known_then.
with placed as (
  select
    u.unit_no, u.in_service_day, coalesce(u.out_of_service_day, $as_of_day) as last_day, day_number(s.date) as day,
    cast(s.miles as double) as raw_miles, nullif(trim(s.position), '') as position,
    nullif(trim(s.component), '') as component, s.action, cast(s.cups_purged as double) as cups_purged, s.row_id
  from services s
  join unit_now u on u.unit_id = s.unit_id
  left join superseded o on o.row_id = s.row_id
  where o.row_id is null and (not $known_then or day_number(coalesce(s.posted_date, s.date)) <= $as_of_day)
)
select
  s.unit_no, p.place_no, s.day, s.raw_miles, s.action, s.cups_purged, s.row_id,
  case when s.position is not null then p.place_no when s.component is not null then -k.place_no
    else -s.unit_no * cast(1000000 as bigint) end as covers
from placed s
left join position_now p on p.unit_no = s.unit_no and p.position = s.position
left join kind_now k on s.position is null and k.unit_no = s.unit_no and k.component = s.component
where s.day between s.in_service_day and least(s.last_day, $as_of_day)

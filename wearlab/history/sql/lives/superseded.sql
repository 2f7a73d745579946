-- One row per work-order line that does not take part because another version of its service_id does: the latest one.
-- With $known_then only what had been posted by $as_of_day counts, and of its versions those updated by then come
-- first. Parameters: as_of_day, known_then.
with ranked as (
  select
    s.row_id,
    row_number() over (
      partition by s.service_id
      order by
        case when $known_then and day_number(cast(s.updated_at as date)) > $as_of_day then 1 else 0 end,
        s.updated_at desc nulls last,
        s.row_id desc
    ) as nth
  from services s
  join repeated r on r.service_id = s.service_id
  where not $known_then or day_number(coalesce(s.posted_date, s.date)) <= $as_of_day
)
select row_id
from ranked
where nth > 1

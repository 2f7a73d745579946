-- One row per work-order line that does not take part because another version of its service_id does: the latest one.
-- With $known_then only what had been posted by $as_of_day counts, and of its versions those updated by then come
-- first. Parameters: as_of_day, known_then.
with known as (
  select service_id, updated_at, row_id
  from services
  where not $known_then or day_number(coalesce(posted_date, date)) <= $as_of_day
),
repeated as (
  select service_id
  from known
  group by service_id
  having count(*) > 1
),
ranked as (
  select
    k.row_id,
    row_number() over (
      partition by k.service_id
      order by
        case when $known_then and day_number(cast(k.updated_at as date)) > $as_of_day then 1 else 0 end,
        k.updated_at desc nulls last,
        k.row_id desc
    ) as nth
  from known k
  join repeated r on r.service_id = k.service_id
)
select row_id
from ranked
where nth > 1

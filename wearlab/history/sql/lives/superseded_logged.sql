-- What superseded.sql makes, where the store keeps a log of changes: only ids that stand there are looked at, so that
-- no key of all the services is compared again. Parameters: as_of_day, known_then.
with repeated as (
  select distinct key as service_id from changes where table_name = 'services'
),
ranked as (
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

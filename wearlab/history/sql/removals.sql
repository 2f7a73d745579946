-- One row per part changed up to $as_of: the latest version of each order, orders of one place within $days days once. placed is false where the order does not say at which of several like places the part sat.
with latest as (
  select *
  from services
  where action = 'replace' and date <= $as_of
  qualify row_number() over (partition by service_id order by updated_at desc nulls last, row_id desc) = 1
),
known as (
  select unit_id, position, arg_max(component, row_id) as component
  from positions
  group by unit_id, position
),
single as (
  select unit_id, component, any_value(position) as position
  from known
  group by unit_id, component
  having count(*) = 1
),
told as (
  select s.unit_id, coalesce(k.component, s.component) as component, coalesce(s.position, o.position) as position,
    s.date, s.service_id,
    coalesce(s.reason, 'unknown') in ('failure', case when $unknown_as_failure then 'unknown' else 'failure' end) as failed
  from latest s
  left join known k on k.unit_id = s.unit_id and k.position = s.position
  left join single o on o.unit_id = s.unit_id and o.component = s.component
),
numbered as (
  select *,
    date - lag(date) over (partition by unit_id, component, position order by date, service_id) as days_since
  from told
)
select unit_id, component, date, failed, position is not null as placed
from numbered
where position is null or days_since is null or days_since > $days
order by unit_id, component, date, placed

-- One row per replacement of a part: orders for one position within both $same_event_days and $same_event_miles of the
-- first are one event (0 = never). A failure among them makes it a failure; costs are summed; what was fitted is what
-- the last order says. Parameters: same_event_days, same_event_miles.
create or replace temp table replace_event as
with recursive ordered as (
  select *, row_number() over (partition by unit_no, position order by date, miles, service_id) as nth
  from replace_order
  where position is not null
),
anchored as (
  select unit_no, position, nth, date as event_date, miles as event_miles, hours as event_hours, 1::bigint as event_no
  from ordered
  where nth = 1
  union all
  select
    o.unit_no, o.position, o.nth,
    case when same then a.event_date else o.date end,
    case when same then a.event_miles else o.miles end,
    case when same then a.event_hours else o.hours end,
    a.event_no + case when same then 0 else 1 end
  from (
    select
      a.*,
      $same_event_days > 0 and $same_event_miles > 0
        and o.date - a.event_date <= $same_event_days
        and coalesce(abs(o.miles - a.event_miles) <= $same_event_miles, true) as same
    from anchored a
    join ordered o on o.unit_no = a.unit_no and o.position = a.position and o.nth = a.nth + 1
  ) a
  join ordered o on o.unit_no = a.unit_no and o.position = a.position and o.nth = a.nth + 1
)
select
  o.unit_no, o.position, a.event_no,
  min(a.event_date) as date,
  min(a.event_miles) as miles,
  min(a.event_hours) as hours,
  bool_or(o.reason = 'failure') as failed,
  coalesce(
    first(o.reason order by o.nth) filter (where o.reason = 'failure'),
    first(o.reason order by o.nth) filter (where o.reason <> 'unknown'),
    'unknown'
  ) as reason,
  bool_and(o.unknown_ending) as unknown_ending,
  first(o.found_at order by o.nth) filter (where o.reason = 'failure' and o.found_at is not null) as found_at,
  first(o.failure_mode order by o.nth) filter (where o.reason = 'failure' and o.failure_mode is not null) as mode,
  sum(o.parts_cost order by o.nth) as parts_cost,
  sum(o.labor_hours order by o.nth) as labor_hours,
  last(o.lot order by o.nth) filter (where o.lot is not null) as lot,
  last(o.shop order by o.nth) filter (where o.shop is not null) as shop,
  last(o.crew order by o.nth) filter (where o.crew is not null) as crew,
  last(o.grease_grade order by o.nth) filter (where o.grease_grade is not null) as grease_grade,
  last(o.service_id order by o.nth) as service_id,
  count(*) as orders
from ordered o
join anchored a on a.unit_no = o.unit_no and a.position = o.position and a.nth = o.nth
group by o.unit_no, o.position, a.event_no
order by o.unit_no, o.position, a.event_no

-- One row per replacement of a part: orders for one position within both the days and the miles of fleet.toml of the
-- first are one event, which bears the number of its first order. A failure among them makes it a failure; costs are
-- summed; what was fitted is what the last order says.
with joined as (
  select distinct place_no
  from orders_joined
  where follows
),
begun as (
  select o.*, j.follows
  from replace_order o
  join joined p on p.place_no = o.place_no
  left join orders_joined j on j.place_no = o.place_no and j.nth = o.nth
),
numbered as (
  select
    *,
    max(case when follows then null else nth end) over (
      partition by place_no order by nth rows between unbounded preceding and current row
    ) as event_no
  from begun
),
summed as (
  select
    *,
    sum(parts_cost) over spent as parts_cost_so_far,
    sum(labor_hours) over spent as labor_hours_so_far
  from numbered
  window spent as (partition by place_no, event_no order by nth rows between unbounded preceding and current row)
)
select
  max(unit_no) as unit_no, place_no, event_no,
  min(day) as day,
  max(case when nth = event_no then miles end) as miles,
  max(case when nth = event_no then hours end) as hours,
  bool_or(reason = 'failure') as failed,
  coalesce(
    max(case when reason = 'failure' then reason end), min_by(reason, nth) filter (where reason <> 'unknown'), 'unknown'
  ) as reason,
  bool_and(unknown_ending) as unknown_ending,
  min_by(found_at, nth) filter (where reason = 'failure' and found_at is not null) as found_at,
  min_by(failure_mode, nth) filter (where reason = 'failure' and failure_mode is not null) as mode,
  max_by(parts_cost_so_far, nth) as parts_cost,
  max_by(labor_hours_so_far, nth) as labor_hours,
  max_by(lot, nth) filter (where lot is not null) as lot,
  max_by(shop, nth) filter (where shop is not null) as shop,
  max_by(crew, nth) filter (where crew is not null) as crew,
  max_by(grease_grade, nth) filter (where grease_grade is not null) as grease_grade,
  max_by(row_id, nth) as row_id
from summed
group by place_no, event_no
union all
select
  o.unit_no, o.place_no, o.nth, o.day, o.miles, o.hours, o.reason = 'failure', o.reason, o.unknown_ending,
  case when o.reason = 'failure' then o.found_at end, case when o.reason = 'failure' then o.failure_mode end,
  o.parts_cost, o.labor_hours, o.lot, o.shop, o.crew, o.grease_grade, o.row_id
from replace_order o
left join joined p on p.place_no = o.place_no
where o.place_no is not null and p.place_no is null

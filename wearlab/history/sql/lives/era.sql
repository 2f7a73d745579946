-- One row per truck and stretch in which neither its duty cycle nor the lubrication plan in force for it changed:
-- practice begins anew with each. A plan for the truck itself goes before one for its class. Parameters: scale.
with planned as (
  select
    m.unit_no, m.day, d.duty_cycle,
    case when o.unit_no is not null then o.interval_miles else k.interval_miles end as plan_miles,
    case when o.unit_no is not null then o.interval_hours else k.interval_hours end as plan_hours,
    case when o.unit_no is not null then o.interval_months else k.interval_months end as plan_months
  from era_moment m
  join duty_now d on d.unit_no = m.unit_no and m.day >= d.from_day and m.day < d.until_day
  left join plan_now o on o.unit_no = m.unit_no and m.day >= o.from_day and m.day < o.until_day
  left join plan_now k
    on k.unit_no is null and k.duty_cycle = d.duty_cycle and m.day >= k.from_day and m.day < k.until_day
),
compared as (
  select
    *,
    lag(day) over following as day_before,
    lag(duty_cycle) over following as duty_before,
    lag(plan_miles) over following as miles_before,
    lag(plan_hours) over following as hours_before,
    lag(plan_months) over following as months_before
  from planned
  window following as (partition by unit_no order by day)
),
changed as (
  select unit_no, day, duty_cycle, plan_miles, plan_hours, plan_months
  from compared
  where day_before is null
    or duty_cycle is distinct from duty_before
    or plan_miles is distinct from miles_before
    or plan_hours is distinct from hours_before
    or plan_months is distinct from months_before
)
select
  c.unit_no,
  row_number() over (partition by c.unit_no order by c.day) as era_no,
  c.day as from_day,
  coalesce(lead(c.day) over (partition by c.unit_no order by c.day), 2147483647) as until_day,
  c.duty_cycle,
  least(
    c.plan_miles,
    c.plan_hours * r.miles_per_day / nullif(r.hours_per_day, 0),
    c.plan_months * 30.4375e0 * r.miles_per_day
  ) as plan_miles,
  d.miles, d.hours,
  to_scale($scale, d.miles, d.hours, c.day, u.turns_per_mile) as place
from changed c
join unit_now u on u.unit_no = c.unit_no
join meter_rates r on r.unit_no = c.unit_no
left join dated d on d.unit_no = c.unit_no and d.day = c.day

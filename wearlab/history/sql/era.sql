-- One row per truck and stretch in which neither its duty cycle nor the lubrication plan in force for it changed:
-- practice begins anew with each. A plan for the truck itself goes before one for its class. Parameters: scale.
create or replace temp table era as
with moments as (
  select unit_no, in_service_date as date from unit_now
  union
  select unit_no, from_date from duty_now
  union
  select u.unit_no, greatest(p.from_date, u.in_service_date)
  from plan_now p join unit_now u on coalesce(p.unit_no, u.unit_no) = u.unit_no
),
classed as (
  select m.unit_no, m.date, d.duty_cycle
  from moments m
  asof join duty_now d on d.unit_no = m.unit_no and d.from_date <= m.date
),
planned as (
  select
    c.*,
    case when o.unit_no is not null then o.interval_miles else k.interval_miles end as plan_miles,
    case when o.unit_no is not null then o.interval_hours else k.interval_hours end as plan_hours,
    case when o.unit_no is not null then o.interval_months else k.interval_months end as plan_months
  from classed c
  asof left join (select * from plan_now where unit_no is not null) o on o.unit_no = c.unit_no and o.from_date <= c.date
  asof left join (select * from plan_now where unit_no is null) k on k.duty_cycle = c.duty_cycle and k.from_date <= c.date
),
changed as (
  select *
  from planned
  window w as (partition by unit_no order by date)
  qualify lag(date) over w is null
    or duty_cycle is distinct from lag(duty_cycle) over w
    or plan_miles is distinct from lag(plan_miles) over w
    or plan_hours is distinct from lag(plan_hours) over w
    or plan_months is distinct from lag(plan_months) over w
)
select
  c.unit_no,
  row_number() over (partition by c.unit_no order by c.date) as era_no,
  c.date as from_date,
  c.duty_cycle,
  least(
    c.plan_miles,
    c.plan_hours * r.miles_per_day / nullif(r.hours_per_day, 0),
    c.plan_months * 30.4375 * r.miles_per_day
  ) as plan_miles,
  d.miles, d.hours,
  to_scale($scale, d.miles, d.hours, c.date, u.turns_per_mile) as place
from changed c
join unit_now u on u.unit_no = c.unit_no
join meter_rates r on r.unit_no = c.unit_no
left join dated d on d.unit_no = c.unit_no and d.date = c.date
order by c.unit_no, era_no

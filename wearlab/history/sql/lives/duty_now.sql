-- One row per truck and stretch of one duty cycle, from from_day up to until_day; the first begins in service.
-- Parameters: as_of_day.
with said as (
  select unit_no, in_service_day as day, first_duty_cycle as duty_cycle, 0 as later, 0 as row_id
  from unit_now
  union all
  select u.unit_no, greatest(day_number(c.date), u.in_service_day), c.duty_cycle, 1, c.row_id
  from duty_changes c
  join unit_now u on u.unit_id = c.unit_id
  where day_number(c.date) <= $as_of_day
),
ranked as (
  select unit_no, day, duty_cycle, row_number() over (partition by unit_no, day order by later desc, row_id desc) as nth
  from said
),
daily as (
  select
    unit_no, day, duty_cycle,
    row_number() over (partition by unit_no order by day) as place,
    lag(duty_cycle) over (partition by unit_no order by day) as before
  from ranked
  where nth = 1
)
select
  unit_no, day as from_day, duty_cycle,
  coalesce(lead(day) over (partition by unit_no order by day), 2147483647) as until_day
from daily
where place = 1 or duty_cycle is distinct from before

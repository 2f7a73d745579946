-- One row per truck and stretch of one duty cycle: from_date is its first day; the first stretch begins in service.
-- Parameters: as_of.
create or replace temp table duty_now as
with said as (
  select unit_no, in_service_date as date, first_duty_cycle as duty_cycle, 0 as later, 0 as row_id
  from unit_now
  union all
  select u.unit_no, greatest(c.date, u.in_service_date), c.duty_cycle, 1, c.row_id
  from duty_changes c
  join unit_now u on u.unit_id = c.unit_id
  where c.date <= $as_of::date
),
daily as (
  select unit_no, date as from_date, duty_cycle
  from said
  qualify row_number() over (partition by unit_no, date order by later desc, row_id desc) = 1
)
select *
from daily
qualify duty_cycle is distinct from lag(duty_cycle) over (partition by unit_no order by from_date)
order by unit_no, from_date

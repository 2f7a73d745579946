-- One row per different meter value of a truck and day, in the order in which a right meter would show them. On the day
-- of a replaced meter the old one's values come before the reading that says so; a value from that reading on up which
-- lies below all the old meter showed last is the new one's and comes after.
with seen as (
  select unit_no, in_service_day as day, in_service_miles as value, false as meter_replaced, 1.5e0 as weight
  from unit_now
  union all
  select unit_no, day, raw_miles, meter_replaced, 1e0
  from reading_now
  where raw_miles is not null
  union all
  select unit_no, day, raw_miles, false, 1e0
  from service_now
  where raw_miles is not null
),
valued as (
  select unit_no, day, value, meter_replaced, max(weight) as weight
  from seen
  group by unit_no, day, value, meter_replaced
),
daily as (
  select
    unit_no, day,
    min(case when meter_replaced then value end) as new_value,
    max(value) as last_value
  from valued
  where unit_no in (select unit_no from reading_now where meter_replaced and raw_miles is not null)
  group by unit_no, day
),
before as (
  select unit_no, day, new_value, lag(last_value) over (partition by unit_no order by day) as old_value
  from daily
),
replaced as (
  select unit_no, day, new_value, old_value
  from before
  where new_value is not null
)
select
  v.unit_no, v.day,
  case when v.meter_replaced then 1 when v.value >= r.new_value and v.value < r.old_value then 2 else 0 end as turn,
  v.value, v.meter_replaced, v.weight
from valued v
left join replaced r on r.unit_no = v.unit_no and r.day = v.day
order by v.unit_no, v.day, turn, v.value

-- One row per different meter value of a truck and day, in the order in which a right meter would show them. On the day
-- of a replaced meter the old one's values come before the reading that says so; a value from that reading on up which
-- lies below all the old meter showed last is the new one's and comes after.
with valued as (
  select
    unit_no,
    date_diff('day', date '1970-01-01', date) as day,
    raw_miles as value,
    meter_replaced,
    max(case origin when 'in_service' then 1.5 else 1.0 end)::double as weight
  from meter_seen
  where raw_miles is not null
  group by all
),
daily as (
  select
    unit_no, day,
    min(value) filter (where meter_replaced) as new_value,
    max(value) as last_value
  from valued
  group by unit_no, day
),
before as (
  select unit_no, day, new_value, lag(last_value) over (partition by unit_no order by day) as old_value
  from daily
)
select v.unit_no, v.day, v.value, v.meter_replaced, v.weight
from valued v
left join before b on b.unit_no = v.unit_no and b.day = v.day and b.new_value is not null
order by
  v.unit_no, v.day,
  case when v.meter_replaced then 1 when v.value >= b.new_value and v.value < b.old_value then 2 else 0 end,
  v.value

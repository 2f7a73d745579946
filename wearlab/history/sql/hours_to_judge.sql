-- As miles_to_judge, for engine hours. A truck put in service nearly new (up to 2,000 miles) began near 0 hours.
with seen as (
  select unit_no, in_service_date as date, 0::double as value, false as meter_replaced, 1.5 as weight
  from unit_now
  where in_service_miles <= 2000
    and unit_no in (select unit_no from reading_now where raw_hours is not null)
  union all
  select unit_no, date, raw_hours, meter_replaced, 1.0
  from reading_now
  where raw_hours is not null
)
select
  unit_no,
  date_diff('day', date '1970-01-01', date) as day,
  value,
  meter_replaced,
  max(weight)::double as weight
from seen
group by all
order by unit_no, day, meter_replaced, value

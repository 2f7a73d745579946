-- As miles_to_judge, for engine hours. A truck put in service nearly new (up to 2,000 miles) began near 0 hours.
with seen as (
  select unit_no, in_service_day as day, 0e0 as value, false as meter_replaced, 1.5e0 as weight
  from unit_now
  where in_service_miles <= 2000
    and unit_no in (select unit_no from reading_now where raw_hours is not null)
  union all
  select unit_no, day, raw_hours, meter_replaced, 1e0
  from reading_now
  where raw_hours is not null
)
select
  unit_no, day, case when meter_replaced then 1 else 0 end as turn, value, meter_replaced, max(weight) as weight
from seen
group by unit_no, day, value, meter_replaced
order by unit_no, day, turn, value

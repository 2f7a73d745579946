-- The lubrication plan, in the order of coming into force.
select duty_cycle, unit_id, date_of_day(from_day) as from_date, interval_miles, interval_hours, interval_months
from plan_now
order by from_day, duty_cycle, unit_id

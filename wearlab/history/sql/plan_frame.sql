-- The lubrication plan, in the order of coming into force.
select duty_cycle, unit_id, from_date, interval_miles, interval_hours, interval_months
from plan_now
order by from_date, duty_cycle, unit_id

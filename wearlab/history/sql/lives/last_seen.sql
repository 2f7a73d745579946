-- The last date that any loaded row speaks of, up to $today. Parameters: today.
select max(date) as date
from (
  select in_service_date as date from units
  union all select out_of_service_date from units
  union all select date from services
  union all select date from readings
  union all select date from duty_changes
  union all select date from measurements
)
where date <= $today::date
order by date

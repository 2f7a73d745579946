-- One row per lubrication plan that takes part: for one truck (unit_no) or for a class, in force up to until_day.
-- Parameters: as_of_day.
with ranked as (
  select
    p.unit_id, u.unit_no, case when p.unit_id is null then p.duty_cycle end as duty_cycle, day_number(p.from_date) as from_day,
    p.interval_miles, p.interval_hours, p.interval_months,
    row_number() over (
      partition by p.unit_id, case when p.unit_id is null then p.duty_cycle end, p.from_date order by p.row_id desc
    ) as nth
  from lube_plan p
  left join unit_all u on u.unit_id = p.unit_id
  where day_number(p.from_date) <= $as_of_day and (p.unit_id is null or u.unit_no is not null)
)
select
  unit_id, unit_no, duty_cycle, from_day, interval_miles, interval_hours, interval_months,
  coalesce(lead(from_day) over (partition by unit_no, duty_cycle order by from_day), 2147483647) as until_day
from ranked
where nth = 1

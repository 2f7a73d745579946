-- One row per lubrication plan that takes part: for one truck (unit_no) or for a class. Parameters: as_of.
create or replace temp table plan_now as
select
  p.unit_id, u.unit_no,
  case when p.unit_id is null then p.duty_cycle end as duty_cycle,
  p.from_date, p.interval_miles, p.interval_hours, p.interval_months
from lube_plan p
left join unit_now u on u.unit_id = p.unit_id
where p.from_date <= $as_of::date and (p.unit_id is null or u.unit_no is not null)
qualify row_number() over (
  partition by p.unit_id, case when p.unit_id is null then p.duty_cycle end, p.from_date order by p.row_id desc
) = 1
order by p.from_date, p.duty_cycle, p.unit_id

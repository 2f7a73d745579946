-- The trucks of this piece of the fleet. Parameters: first_unit, last_unit.
select
  unit_no, unit_id, first_duty_cycle, in_service_day, in_service_miles, record_start, out_of_service_day, axle_ratio,
  tire_turns_per_mile, turns_per_mile, home_shop, row_id
from unit_all
where unit_no between $first_unit and $last_unit

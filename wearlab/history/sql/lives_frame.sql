-- The lives, as DEVELOPERS.md lists their columns; factors come beside them.
select
  life_id::bigint as life_id, unit_id, position, component, duty_cycle, hardware, shaft, life_number::bigint as life_number,
  start_date, end_date, entry_date, entry, exit, failed, lower, upper, count, mode, found_at, ending, running, fittable,
  entry_miles, exit_miles, entry_hours, exit_hours, entry_days, exit_days, entry_cycles, exit_cycles,
  start_meter_miles, end_meter_miles, end_cost, end_labor_hours,
  regreases::double as regreases, longest_gap_miles, cups_purged_mean,
  days_since_service::double as days_since_service, miles_since_service, unknown_ending
from life
order by life_id

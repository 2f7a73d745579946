-- The lives, as DEVELOPERS.md lists their columns; factors come beside them.
select
  life_id, unit_id, position, component, duty_cycle, hardware, shaft, cast(life_number as bigint) as life_number,
  date_of_day(start_day) as start_date, date_of_day(end_day) as end_date, date_of_day(entry_day) as entry_date,
  entry, exit, failed, lower, upper, 1e0 as count, mode, found_at, ending, running, fittable,
  entry_miles, exit_miles, entry_hours, exit_hours, entry_days, exit_days, entry_cycles, exit_cycles,
  start_meter_miles, end_meter_miles, end_cost, end_labor_hours,
  cast(regreases as double) as regreases, longest_gap_miles, cups_purged_mean,
  cast(days_since_service as double) as days_since_service, miles_since_service, unknown_ending
from life
order by life_id

-- One row per life. A failure found at an inspection lies between the last look before that day (at least its entry)
-- and that day; where nothing lies between, it is exact. Parameters: scale.
create or replace temp table life as
with ended as (
  select
    t.*,
    coalesce(e.failed, false) as failed,
    case t.end_kind when 1 then e.reason when 2 then 'position_unknown' else
      case when n.retired then 'out_of_service' else 'running' end end as ending,
    coalesce(e.unknown_ending, false) as unknown_ending,
    e.mode, e.found_at, e.parts_cost as end_cost, e.labor_hours as end_labor_hours,
    case when e.failed and e.found_at = 'inspection' then greatest(
      coalesce(to_scale($scale, o.miles, o.hours, o.date, t.turns_per_mile) - t.start_at, t.entry), t.entry
    ) end as lower_age,
    o.date as looked_date, o.miles as looked_miles
  from life_timed t
  join unit_end n on n.unit_no = t.unit_no
  left join replace_event e on t.end_kind = 1 and e.unit_no = t.unit_no and e.position = t.position and e.event_no = t.ended_by
  left join life_looked o on o.unit_no = t.unit_no and o.position = t.position and o.life_number = t.life_number
)
select
  row_number() over (order by e.unit_no, e.position, e.life_number) as life_id,
  e.unit_no, u.unit_id, e.position, p.component, d.duty_cycle, p.hardware, p.shaft, e.life_number,
  e.start_date, e.end_date, e.entry_date, e.entry, e.exit, e.failed,
  case when e.lower_age < e.exit then e.lower_age end as lower,
  case when e.lower_age < e.exit then e.exit end as upper,
  1.0::double as count,
  case when e.failed then e.mode end as mode,
  e.found_at, e.ending, e.ending = 'running' as running,
  coalesce(e.exit > e.entry, false) as fittable,
  e.entry_miles, e.exit_miles, e.entry_hours, e.exit_hours, e.entry_days, e.exit_days, e.entry_cycles, e.exit_cycles,
  e.start_miles as start_meter_miles, e.end_miles as end_meter_miles,
  e.end_cost, e.end_labor_hours,
  g.regreases, g.longest_gap_miles, g.cups_purged_mean,
  e.end_date - greatest(e.looked_date, case when e.start_kind = 1 then e.start_date end) as days_since_service,
  at_least_zero(
    e.end_miles - greatest(e.looked_miles, case when e.start_kind = 1 then e.start_miles end)
  ) as miles_since_service,
  e.unknown_ending, e.start_at, e.start_kind, e.fitted_by
from ended e
join unit_now u on u.unit_no = e.unit_no
join position_now p on p.unit_no = e.unit_no and p.position = e.position
asof left join duty_now d on d.unit_no = e.unit_no and d.from_date <= e.end_date
left join life_greased g on g.unit_no = e.unit_no and g.position = e.position and g.life_number = e.life_number
order by life_id

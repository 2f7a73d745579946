-- One row per life. A failure found at an inspection lies between the last look before that day (at least its entry)
-- and that day; where nothing lies between, it is exact. life_id counts the lives in the order of trucks, positions and
-- time, after the $lives_before of earlier pieces. Parameters: scale, lives_before.
with counted as (
  select unit_no, count(*) as lives
  from life_timed
  group by unit_no
),
offsets as (
  select
    unit_no,
    $lives_before + sum(lives) over (order by unit_no rows between unbounded preceding and current row) - lives as before
  from counted
),
numbered as (
  select
    t.place_no, t.life_number,
    cast(
      f.before + row_number() over (partition by t.unit_no order by t.place_no, t.life_number) as bigint
    ) as life_id
  from life_timed t
  join offsets f on f.unit_no = t.unit_no
),
ended as (
  select
    t.*,
    coalesce(e.failed, false) as failed,
    case t.end_kind when 1 then e.reason when 2 then 'position_unknown' else
      case when n.retired then 'out_of_service' else 'running' end end as ending,
    coalesce(e.unknown_ending, false) as unknown_ending,
    e.mode, e.found_at, e.parts_cost as end_cost, e.labor_hours as end_labor_hours,
    case when e.failed and e.found_at = 'inspection' then greatest(
      coalesce(to_scale($scale, o.miles, o.hours, o.day, t.turns_per_mile) - t.start_at, t.entry), t.entry
    ) end as lower_age,
    o.day as looked_day, o.miles as looked_miles
  from life_timed t
  join unit_end n on n.unit_no = t.unit_no
  left join replace_event e on t.end_kind = 1 and e.place_no = t.place_no and e.event_no = t.ended_by
  left join life_looked o on o.place_no = t.place_no and o.life_number = t.life_number
)
select
  f.life_id, e.unit_no, u.unit_id, e.place_no, p.position, p.component, d.duty_cycle, p.hardware, p.shaft, e.life_number,
  e.start_day, e.end_day, e.entry_day, e.entry, e.exit, e.failed,
  case when e.lower_age < e.exit then e.lower_age end as lower,
  case when e.lower_age < e.exit then e.exit end as upper,
  case when e.failed then e.mode end as mode,
  e.found_at, e.ending, e.ending = 'running' as running,
  coalesce(e.exit > e.entry, false) as fittable,
  e.entry_miles, e.exit_miles, e.entry_hours, e.exit_hours, e.entry_days, e.exit_days, e.entry_cycles, e.exit_cycles,
  e.start_miles as start_meter_miles, e.end_miles as end_meter_miles,
  e.end_cost, e.end_labor_hours,
  g.regreases, g.longest_gap_miles, g.cups_purged_mean,
  e.end_day - greatest(e.looked_day, case when e.start_kind = 1 then e.start_day end) as days_since_service,
  at_least_zero(
    e.end_miles - greatest(e.looked_miles, case when e.start_kind = 1 then e.start_miles end)
  ) as miles_since_service,
  e.unknown_ending, e.start_at, e.start_kind, e.fitted_by
from ended e
join numbered f on f.place_no = e.place_no and f.life_number = e.life_number
join unit_now u on u.unit_no = e.unit_no
join position_now p on p.place_no = e.place_no
left join duty_now d on d.unit_no = e.unit_no and e.end_day >= d.from_day and e.end_day < d.until_day
left join life_greased g on g.place_no = e.place_no and g.life_number = e.life_number

-- One row per life of the record: its moments, its ages on every scale, and its place on the truck's own scale ($scale).
-- entry is the age on the first day of the record for a part in place then, else 0. A part whose truck shows no meter
-- within the record has no exit. Parameters: scale.
with lit as (
  select
    s.unit_no, s.place_no, s.life_number, s.start_kind, s.start_day, s.start_miles, s.start_hours, s.fitted_by,
    s.end_kind, s.ended_by, s.entry_day,
    greatest(s.end_day, s.entry_day) as end_day,
    case when s.end_day >= s.entry_day then s.end_miles end as end_miles,
    case when s.end_day >= s.entry_day then s.end_hours end as end_hours,
    s.end_day >= s.entry_day as seen,
    case when s.entry_day = s.start_day then s.start_miles else d.miles end as entry_meter,
    case when s.entry_day = s.start_day then s.start_hours else d.hours end as entry_clock
  from segment s
  left join dated d on d.unit_no = s.unit_no and d.day = s.entry_day
  where s.known
),
aged as (
  select
    l.*,
    u.turns_per_mile,
    at_least_zero(l.end_miles - l.start_miles) as exit_miles,
    at_least_zero(l.end_hours - l.start_hours) as exit_hours,
    case when l.seen then cast(l.end_day - l.start_day as double) end as exit_days,
    at_least_zero(l.entry_meter - l.start_miles) as begin_miles,
    at_least_zero(l.entry_clock - l.start_hours) as begin_hours,
    cast(l.entry_day - l.start_day as double) as entry_days,
    to_scale($scale, l.start_miles, l.start_hours, l.start_day, u.turns_per_mile) as start_at
  from lit l
  join unit_now u on u.unit_no = l.unit_no
),
clipped as (
  select
    *,
    case when entry_day = end_day then exit_miles when exit_miles is null then begin_miles
      else least(begin_miles, exit_miles) end as entry_miles,
    case when entry_day = end_day then exit_hours when exit_hours is null then begin_hours
      else least(begin_hours, exit_hours) end as entry_hours
  from aged
)
select
  c.unit_no, c.place_no, c.life_number, c.start_kind, c.start_day, c.start_miles, c.start_hours, c.fitted_by,
  c.end_kind, c.ended_by, c.entry_day, c.end_day, c.end_miles, c.end_hours, c.turns_per_mile, c.start_at,
  c.entry_miles, c.exit_miles, c.entry_hours, c.exit_hours, c.entry_days, c.exit_days,
  entry_miles * turns_per_mile as entry_cycles,
  exit_miles * turns_per_mile as exit_cycles,
  case $scale when 'miles' then entry_miles when 'joint_cycles' then entry_miles * turns_per_mile
    when 'engine_hours' then entry_hours when 'days' then entry_days end as entry,
  case $scale when 'miles' then exit_miles when 'joint_cycles' then exit_miles * turns_per_mile
    when 'engine_hours' then exit_hours when 'days' then exit_days end as exit
from clipped c

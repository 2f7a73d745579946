-- One row per life of the record: its moments, its ages on every scale, and its place on the truck's own scale ($scale).
-- entry is the age on the first day of the record for a part in place then, else 0. A part whose truck shows no meter
-- within the record has no exit. Parameters: scale.
create or replace temp table life_timed as
with lit as (
  select
    s.* exclude (end_date, end_miles, end_hours),
    greatest(s.end_date, s.entry_date) as end_date,
    case when s.end_date >= s.entry_date then s.end_miles end as end_miles,
    case when s.end_date >= s.entry_date then s.end_hours end as end_hours,
    s.end_date >= s.entry_date as seen,
    case when s.entry_date = s.start_date then s.start_miles else d.miles end as entry_meter,
    case when s.entry_date = s.start_date then s.start_hours else d.hours end as entry_clock
  from segment s
  left join dated d on d.unit_no = s.unit_no and d.date = s.entry_date
  where s.known
),
aged as (
  select
    l.*,
    u.turns_per_mile,
    at_least_zero(l.end_miles - l.start_miles) as exit_miles,
    at_least_zero(l.end_hours - l.start_hours) as exit_hours,
    case when l.seen then (l.end_date - l.start_date)::double end as exit_days,
    at_least_zero(l.entry_meter - l.start_miles) as begin_miles,
    at_least_zero(l.entry_clock - l.start_hours) as begin_hours,
    (l.entry_date - l.start_date)::double as entry_days,
    to_scale($scale, l.start_miles, l.start_hours, l.start_date, u.turns_per_mile) as start_at
  from lit l
  join unit_now u on u.unit_no = l.unit_no
),
clipped as (
  select
    * exclude (begin_miles, begin_hours),
    case when entry_date = end_date then exit_miles when exit_miles is null then begin_miles
      else least(begin_miles, exit_miles) end as entry_miles,
    case when entry_date = end_date then exit_hours when exit_hours is null then begin_hours
      else least(begin_hours, exit_hours) end as entry_hours
  from aged
)
select
  c.*,
  entry_miles * turns_per_mile as entry_cycles,
  exit_miles * turns_per_mile as exit_cycles,
  case $scale when 'miles' then entry_miles when 'joint_cycles' then entry_miles * turns_per_mile
    when 'engine_hours' then entry_hours when 'days' then entry_days end as entry,
  case $scale when 'miles' then exit_miles when 'joint_cycles' then exit_miles * turns_per_mile
    when 'engine_hours' then exit_hours when 'days' then exit_days end as exit
from clipped c
order by c.unit_no, c.position, c.life_number

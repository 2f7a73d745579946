-- One row per truck and stretch in which its practice and duty cycle did not change, on the truck's own life scale
-- (from_at to to_at; the first is open to the left, the last to the right). An open gap beyond limit_miles is a stretch
-- of its own: practice unknown. Parameters: scale.
with followed as (
  select
    p.*,
    coalesce(lead(p.place) over following, to_scale($scale, e.miles, e.hours, e.day, u.turns_per_mile)) as stop_at,
    case when lead(p.day) over following is null then e.miles else lead(p.miles) over following end as next_miles,
    coalesce(lead(p.day) over following, e.day) as next_day,
    row_number() over following as nth
  from practice p
  join unit_end e on e.unit_no = p.unit_no
  join unit_now u on u.unit_no = p.unit_no
  window following as (partition by p.unit_no order by p.day)
),
cut as (
  select
    *,
    case
      when limit_miles <= miles then 0e0
      when limit_miles < next_miles then (limit_miles - miles) / (next_miles - miles)
    end as share
  from followed
),
pieces as (
  select unit_no, nth, 0 as part, day as from_day, miles as from_miles, place as from_at, duty_cycle,
    practised_miles, practice_source, raw_practised_miles, gaps_behind
  from cut
  where share is null or share > 0
  union all
  select unit_no, nth, 1, day + cast(round(share * (next_day - day)) as integer), miles + share * (next_miles - miles),
    place + share * (stop_at - place), duty_cycle, null, 'unknown', null, 0
  from cut
  where share is not null
),
compared as (
  select
    *,
    row_number() over following as place,
    lag(duty_cycle) over following as duty_before,
    lag(practised_miles) over following as practised_before,
    lag(raw_practised_miles) over following as raw_before,
    lag(gaps_behind) over following as behind_before,
    lag(practice_source) over following as source_before
  from pieces
  window following as (partition by unit_no order by nth, part)
),
changed as (
  select unit_no, nth, part, from_day, from_miles, from_at, duty_cycle, practised_miles, practice_source,
    raw_practised_miles, gaps_behind
  from compared
  where place = 1
    or duty_cycle is distinct from duty_before
    or practised_miles is distinct from practised_before
    or raw_practised_miles is distinct from raw_before
    or gaps_behind is distinct from behind_before
    or practice_source is distinct from source_before
)
select
  unit_no, row_number() over following as nth, from_day, from_miles, from_at, duty_cycle, practised_miles, practice_source, raw_practised_miles, gaps_behind,
  coalesce(lead(from_at) over following, cast('infinity' as double)) as to_at,
  lead(from_day) over following as to_day,
  lead(from_miles) over following as to_miles
from changed
window following as (partition by unit_no order by nth, part)

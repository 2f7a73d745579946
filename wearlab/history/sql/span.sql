-- One row per truck and stretch in which its practice and duty cycle did not change, on the truck's own life scale
-- (from_at to to_at; the first is open to the left, the last to the right). An open gap beyond limit_miles is a stretch
-- of its own: practice unknown. Parameters: scale.
create or replace temp table span as
with followed as (
  select
    p.*,
    lead(p.miles, 1, e.miles) over w as next_miles,
    lead(p.place) over w as next_at,
    lead(p.date, 1, e.date) over w as next_date,
    coalesce(lead(p.place) over w, to_scale($scale, e.miles, e.hours, e.date, u.turns_per_mile)) as stop_at,
    row_number() over w as nth
  from practice p
  join unit_end e on e.unit_no = p.unit_no
  join unit_now u on u.unit_no = p.unit_no
  window w as (partition by p.unit_no order by p.date)
),
cut as (
  select
    *,
    case
      when limit_miles <= miles then 0.0
      when limit_miles < next_miles then (limit_miles - miles) / (next_miles - miles)
    end as share
  from followed
),
pieces as (
  select unit_no, nth, 0 as part, date as from_date, miles as from_miles, place as from_at, duty_cycle,
    practised_miles, practice_source, raw_practised_miles, gaps_behind
  from cut
  where share is null or share > 0
  union all
  select unit_no, nth, 1, date + round(share * (next_date - date))::integer, miles + share * (next_miles - miles),
    place + share * (stop_at - place), duty_cycle, null, 'unknown', null, 0
  from cut
  where share is not null
),
changed as (
  select *
  from pieces
  window w as (partition by unit_no order by nth, part)
  qualify row_number() over w = 1
    or duty_cycle is distinct from lag(duty_cycle) over w
    or practised_miles is distinct from lag(practised_miles) over w
    or raw_practised_miles is distinct from lag(raw_practised_miles) over w
    or gaps_behind is distinct from lag(gaps_behind) over w
    or practice_source is distinct from lag(practice_source) over w
)
select
  c.*,
  coalesce(lead(from_at) over w, 'infinity'::double) as to_at,
  lead(from_date) over w as to_date,
  lead(from_miles) over w as to_miles
from changed c
window w as (partition by unit_no order by nth, part)
order by unit_no, nth, part

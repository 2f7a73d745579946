-- One row per replacement order of one place with another within $same_event_days: those which may be one event.
-- Parameters: same_event_days, same_event_miles.
with spaced as (
  select
    unit_no, place_no, nth, day, miles,
    lag(day) over (partition by place_no order by nth) as earlier,
    lead(day) over (partition by place_no order by nth) as later
  from replace_order
  where place_no is not null and $same_event_days > 0 and $same_event_miles > 0
)
select unit_no, place_no, nth, day, miles
from spaced
where day - earlier <= $same_event_days or later - day <= $same_event_days
order by place_no, nth

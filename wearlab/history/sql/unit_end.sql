-- One row per truck: where its lives in place come to an end. Out of service: that day. Otherwise, in days, the last
-- day on which any row speaks of it, or $as_of where it has no readings at all; on a meter, the last value that can be
-- right, or the last replacement if that was later and its meter is known; a truck of which no meter was ever read
-- after it went into service has none. Parameters: scale, as_of.
create or replace temp table unit_end as
with replaced as (
  select
    unit_no,
    max(date) filter (where miles is not null) as miles_date, max(miles) as miles,
    max(date) filter (where hours is not null) as hours_date, max(hours) as hours
  from replace_order
  group by unit_no
),
ends as (
  select
    u.unit_no,
    u.out_of_service_date is not null as retired,
    case
      when u.out_of_service_date is not null then u.out_of_service_date
      when $scale = 'days' then case when s.has_readings then s.last_date else $as_of::date end
      when $scale = 'engine_hours'
        then coalesce(greatest(m.last_hours_date, r.hours_date), m.last_miles_date, u.in_service_date)
      else coalesce(greatest(m.last_miles_date, r.miles_date), u.in_service_date)
    end as date,
    greatest(case when m.last_miles_date > u.in_service_date then m.last_miles end, r.miles) as last_miles,
    greatest(case when m.last_hours_date > u.in_service_date then m.last_hours end, r.hours) as last_hours
  from unit_now u
  join unit_seen s on s.unit_no = u.unit_no
  join meter_rates m on m.unit_no = u.unit_no
  left join replaced r on r.unit_no = u.unit_no
)
select
  e.unit_no, e.retired, e.date,
  case when e.last_miles is not null then greatest(coalesce(d.miles, e.last_miles), r.miles) end as miles,
  case when e.last_hours is not null then greatest(coalesce(d.hours, e.last_hours), r.hours) end as hours
from ends e
left join dated d on d.unit_no = e.unit_no and d.date = e.date
left join replaced r on r.unit_no = e.unit_no
order by e.unit_no

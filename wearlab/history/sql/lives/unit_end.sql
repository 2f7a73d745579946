-- One row per truck: where its lives in place come to an end. Out of service: that day. Otherwise, in days, the last
-- day on which any row speaks of it, or $as_of_day where it has no readings at all; on a meter, the last value that can
-- be right, or the last replacement if that was later and its meter is known; a truck of which no meter was ever read
-- after it went into service has none. record_miles and record_hours: its meters on the first day of its record.
-- Parameters: scale, as_of_day.
with replaced as (
  select
    unit_no,
    max(case when miles is not null then day end) as miles_day, max(miles) as miles,
    max(case when hours is not null then day end) as hours_day, max(hours) as hours
  from replace_order
  group by unit_no
),
ends as (
  select
    u.unit_no, u.record_start,
    u.out_of_service_day is not null as retired,
    case
      when u.out_of_service_day is not null then u.out_of_service_day
      when $scale = 'days' then case when s.has_readings then s.last_day else $as_of_day end
      when $scale = 'engine_hours'
        then coalesce(greatest(m.last_hours_day, r.hours_day), m.last_miles_day, u.in_service_day)
      else coalesce(greatest(m.last_miles_day, r.miles_day), u.in_service_day)
    end as day,
    greatest(case when m.last_miles_day > u.in_service_day then m.last_miles end, r.miles) as last_miles,
    greatest(case when m.last_hours_day > u.in_service_day then m.last_hours end, r.hours) as last_hours
  from unit_now u
  join unit_seen s on s.unit_no = u.unit_no
  join meter_rates m on m.unit_no = u.unit_no
  left join replaced r on r.unit_no = u.unit_no
)
select
  e.unit_no, e.retired, e.day,
  case when e.last_miles is not null then greatest(coalesce(d.miles, e.last_miles), r.miles) end as miles,
  case when e.last_hours is not null then greatest(coalesce(d.hours, e.last_hours), r.hours) end as hours,
  b.miles as record_miles, b.hours as record_hours
from ends e
left join dated d on d.unit_no = e.unit_no and d.day = e.day
left join dated b on b.unit_no = e.unit_no and b.day = e.record_start
left join replaced r on r.unit_no = e.unit_no

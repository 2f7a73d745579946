-- The trucks; exposure is counted from the first day of their record to their end. Parameters: as_of_day.
select
  u.unit_id, d.duty_cycle, date_of_day(u.in_service_day) as in_service_date,
  date_of_day(u.out_of_service_day) as out_of_service_date, u.out_of_service_day is null as in_service,
  t.shop, u.axle_ratio, u.tire_turns_per_mile,
  date_of_day(u.in_service_day) as first_date, date_of_day(s.last_day) as last_date,
  m.last_miles, m.last_hours, date_of_day(m.last_miles_day) as last_miles_date, m.miles_per_day, m.hours_per_day,
  at_least_zero(e.miles - e.record_miles) as exposure_miles,
  cast(at_least_zero(e.day - u.record_start) as double) as exposure_days
from unit_now u
join duty_now d
  on d.unit_no = u.unit_no and coalesce(u.out_of_service_day, $as_of_day) >= d.from_day
  and coalesce(u.out_of_service_day, $as_of_day) < d.until_day
join truck_shop t on t.unit_no = u.unit_no
join unit_seen s on s.unit_no = u.unit_no
join meter_rates m on m.unit_no = u.unit_no
join unit_end e on e.unit_no = u.unit_no
order by u.unit_no

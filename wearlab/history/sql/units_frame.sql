-- The trucks; exposure is counted from the first day of their record to their end. Parameters: as_of.
select
  u.unit_id, d.duty_cycle, u.in_service_date, u.out_of_service_date, u.out_of_service_date is null as in_service,
  t.shop, u.axle_ratio, u.tire_turns_per_mile,
  u.in_service_date as first_date, s.last_date,
  m.last_miles, m.last_hours, m.last_miles_date, m.miles_per_day, m.hours_per_day,
  at_least_zero(e.miles - r.miles) as exposure_miles,
  at_least_zero(e.date - u.record_start)::double as exposure_days
from unit_now u
asof join duty_now d on d.unit_no = u.unit_no and d.from_date <= coalesce(u.out_of_service_date, $as_of::date)
join truck_shop t on t.unit_no = u.unit_no
join unit_seen s on s.unit_no = u.unit_no
join meter_rates m on m.unit_no = u.unit_no
join unit_end e on e.unit_no = u.unit_no
left join dated r on r.unit_no = u.unit_no and r.date = u.record_start
order by u.unit_no

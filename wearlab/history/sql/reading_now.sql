-- One row per meter reading that takes part. Parameters: as_of.
create or replace temp table reading_now as
select
  u.unit_no,
  r.date,
  r.miles::double as raw_miles,
  r.engine_hours::double as raw_hours,
  coalesce(r.meter_replaced, false) as meter_replaced
from readings r
join unit_now u on u.unit_id = r.unit_id
where r.date <= least($as_of::date, coalesce(u.out_of_service_date, $as_of::date))
  and r.date >= u.in_service_date
order by u.unit_no, r.date, r.miles

-- One row per measurement that takes part. Parameters: as_of.
create or replace temp table measurement_now as
select u.unit_no, m.position, m.date, m.miles::double as raw_miles, m.quantity, m.value::double as value, m.unit
from measurements m
join unit_now u on u.unit_id = m.unit_id
where m.date <= least($as_of::date, coalesce(u.out_of_service_date, $as_of::date)) and m.date >= u.in_service_date
order by u.unit_no, m.date, m.position, m.quantity, m.value

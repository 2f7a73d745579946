-- One row per different meter value of a truck and day, in the order in which a right meter would show them.
select
  unit_no,
  date_diff('day', date '1970-01-01', date) as day,
  raw_miles as value,
  meter_replaced,
  max(case origin when 'in_service' then 1.5 else 1.0 end)::double as weight
from meter_seen
where raw_miles is not null
group by all
order by unit_no, day, meter_replaced, value

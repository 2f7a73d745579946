-- One row per meter value seen, whether it can be right or not.
create or replace temp table meter_seen as
select unit_no, in_service_date as date, in_service_miles as raw_miles, false as meter_replaced,
  'in_service' as origin, null::varchar as service_id
from unit_now
union all
select unit_no, date, raw_miles, meter_replaced, 'reading', null
from reading_now
where raw_miles is not null
union all
select unit_no, date, raw_miles, false, 'service', service_id
from service_now

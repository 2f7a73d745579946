-- One row per replacement order of which the position was not recorded, on a truck with several such parts.
create or replace temp table unplaced_order as
select unit_no, component, greased, service_id, date, miles, hours, reason
from replace_order
where position is null
order by unit_no, component, date, miles, service_id

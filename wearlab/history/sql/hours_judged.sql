-- One row per value of hours_to_judge with the verdict.
create or replace temp table hours_judged as
select unit_no, date '1970-01-01' + day::integer as date, value as raw_hours, meter_replaced, kept, joined as hours, reason
from judged_frame

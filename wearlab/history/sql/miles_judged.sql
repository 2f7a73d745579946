-- One row per value of miles_to_judge with the verdict: kept, the joined miles, and the reason if disregarded.
create or replace temp table miles_judged as
select unit_no, date '1970-01-01' + day::integer as date, value as raw_miles, meter_replaced, kept, joined as miles, reason
from judged_frame

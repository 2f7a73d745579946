-- One row per truck and day with a meter value that can be right: the first and the last of the day, joined over
-- replaced meters.
create or replace temp table miles_track as
select unit_no, date, min(miles) as first_value, max(miles) as last_value
from miles_judged
where kept
group by unit_no, date
order by unit_no, date

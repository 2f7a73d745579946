-- As miles_track, for engine hours.
create or replace temp table hours_track as
select unit_no, date, min(hours) as first_value, max(hours) as last_value
from hours_judged
where kept
group by unit_no, date
order by unit_no, date

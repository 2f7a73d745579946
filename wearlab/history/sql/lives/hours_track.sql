-- As miles_track, for engine hours.
select unit_no, day, min(joined) as at_first, max(joined) as at_last
from hours_judged
where kept
group by unit_no, day

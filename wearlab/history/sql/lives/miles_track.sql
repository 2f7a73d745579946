-- One row per truck and day with a meter value that can be right: the first and the last of the day, joined over
-- replaced meters, and what the last one's meter has added to what it shows.
select unit_no, day, min(joined) as at_first, max(joined) as at_last, max_by(joined - value, nth) as added
from miles_judged
where kept
group by unit_no, day

-- The gaps between regrease stops.
select
  u.unit_id, date_of_day(g.start_day) as start_date, date_of_day(g.end_day) as end_date, g.start_miles, g.end_miles, g.miles,
  cast(g.days as double) as days, g.hours, g.duty_cycle, g.shop, g.counted, g.why_not
from gap g
join unit_now u on u.unit_no = g.unit_no
order by g.unit_no, g.end_day

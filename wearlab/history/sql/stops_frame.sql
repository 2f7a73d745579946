-- The regrease stops.
select
  u.unit_id, s.date, s.miles, s.hours, s.positions, s.shop, s.crew, s.cups_purged, s.grease_grade, s.miles_source
from stop s
join unit_now u on u.unit_no = s.unit_no
order by s.unit_no, s.date

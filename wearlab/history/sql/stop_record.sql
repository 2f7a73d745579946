-- One row per stop: cups purged (mean) over the truck's last five stops up to it, and the last grease grade.
create or replace temp table stop_record as
select
  unit_no, date,
  avg(cups_purged) over (partition by unit_no order by date rows between 4 preceding and current row) as cups_purged_before,
  last_value(grease_grade ignore nulls) over (partition by unit_no order by date) as grease_grade_before
from stop
order by unit_no, date

-- One row per stop: cups purged (mean) over the truck's last five stops up to it, and the last grease grade.
with marked as (
  select
    unit_no, day, grease_grade,
    avg(cups_purged) over (partition by unit_no order by day rows between 4 preceding and current row)
      as cups_purged_before,
    last_value(case when grease_grade is not null then day end ignore nulls) over (
      partition by unit_no order by day rows between unbounded preceding and current row
    ) as grade_day
  from stop
)
select m.unit_no, m.day, m.cups_purged_before, g.grease_grade as grease_grade_before
from marked m
left join stop g on g.unit_no = m.unit_no and g.day = m.grade_day

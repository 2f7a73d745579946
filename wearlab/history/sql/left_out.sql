-- One row per position and reason for which lives were left out: the part's age is not known, the position of a
-- replacement was not recorded, or its truck shows no meter for the scale.
create or replace temp table left_out as
with dark as (
  select
    s.unit_no, s.position, s.end_date,
    case s.start_kind when 0 then 'age_unknown' else 'position_unknown' end as reason
  from segment s
  where not s.known
  union all
  select unit_no, position, end_date, 'no_meter'
  from life
  where entry is null or exit is null
),
classed as (
  select k.*, p.component, d.duty_cycle
  from dark k
  join position_now p on p.unit_no = k.unit_no and p.position = k.position
  asof left join duty_now d on d.unit_no = k.unit_no and d.from_date <= k.end_date
)
select component, duty_cycle, unit_no, position, reason, count(*) as lives
from classed
group by all
order by component, duty_cycle, unit_no, position, reason

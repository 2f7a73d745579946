-- One row per position and reason for which lives were left out: the part's age is not known, the position of a
-- replacement was not recorded, or its truck shows no meter for the scale.
with dark as (
  select unit_no, place_no, end_day, case start_kind when 0 then 'age_unknown' else 'position_unknown' end as reason
  from segment
  where not known
  union all
  select unit_no, place_no, end_day, 'no_meter'
  from life
  where entry is null or exit is null
)
select p.component, d.duty_cycle, k.unit_no, p.position, k.reason, count(*) as lives
from dark k
join position_now p on p.place_no = k.place_no
left join duty_now d on d.unit_no = k.unit_no and k.end_day >= d.from_day and k.end_day < d.until_day
group by p.component, d.duty_cycle, k.unit_no, p.position, k.reason

-- The trucks cut into pieces of about $rows services and readings each. Parameters: rows.
with said as (
  select unit_id from services
  union all
  select unit_id from readings
),
counted as (
  select u.unit_no, count(*) as n
  from unit_all u
  join said s on s.unit_id = u.unit_id
  group by u.unit_no
),
placed as (
  select u.unit_no, coalesce(sum(c.n) over (order by u.unit_no), 0) as so_far
  from unit_all u
  left join counted c on c.unit_no = u.unit_no
)
select min(unit_no) as first_unit, max(unit_no) as last_unit
from placed
group by floor(so_far / $rows)
order by first_unit

-- One row per truck: its shop is its home_shop where there is one, else the shop of most of its regrease stops.
with visits as (
  select n.unit_no, trim(s.shop) as shop, count(distinct n.day) as stops
  from unit_now u
  join service_now n on n.unit_no = u.unit_no
  join services s on s.row_id = n.row_id
  where u.home_shop is null and n.action = 'regrease' and trim(s.shop) <> ''
  group by n.unit_no, trim(s.shop)
),
ranked as (
  select unit_no, shop, row_number() over (partition by unit_no order by stops desc, shop) as nth
  from visits
)
select u.unit_no, coalesce(u.home_shop, m.shop) as shop
from unit_now u
left join ranked m on m.unit_no = u.unit_no and m.nth = 1

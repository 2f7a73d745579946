-- One row per truck: its shop is its home_shop where there is one, else the shop of most of its regrease stops.
with visits as (
  select unit_no, trim(shop) as shop, count(distinct day) as stops
  from service_now
  where action = 'regrease' and trim(shop) <> ''
  group by unit_no, trim(shop)
),
ranked as (
  select unit_no, shop, row_number() over (partition by unit_no order by stops desc, shop) as nth
  from visits
)
select u.unit_no, coalesce(u.home_shop, m.shop) as shop
from unit_now u
left join ranked m on m.unit_no = u.unit_no and m.nth = 1

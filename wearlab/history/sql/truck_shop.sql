-- One row per truck: its shop is its home_shop where there is one, else the shop of most of its regrease stops.
create or replace temp table truck_shop as
with visits as (
  select unit_no, trim(shop) as shop, count(distinct date) as stops
  from service_now
  where action = 'regrease' and trim(shop) <> ''
  group by unit_no, trim(shop)
),
most as (
  select unit_no, first(shop order by stops desc, shop) as shop
  from visits
  group by unit_no
)
select u.unit_no, coalesce(nullif(trim(u.attributes['home_shop']), ''), m.shop) as shop
from unit_now u
left join most m on m.unit_no = u.unit_no
order by u.unit_no

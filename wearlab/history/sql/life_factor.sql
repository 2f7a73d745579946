-- One row per life and factor that has a level: what was known when the part was fitted. origin: the truck, the place,
-- or the order that fitted it (contract columns: fitting; the fleet's own: fitted).
with fitted as (
  select l.life_id, e.*, o.attributes
  from life l
  join replace_event e on l.start_kind = 1 and e.unit_no = l.unit_no and e.position = l.position and e.event_no = l.fitted_by
  left join service_now o on o.service_id = e.service_id
),
said as (
  select l.life_id, 'unit' as origin, unnest(map_entries(u.attributes)) as entry
  from life l join unit_now u on u.unit_no = l.unit_no
  union all
  select l.life_id, 'position', unnest(map_entries(p.attributes))
  from life l join position_now p on p.unit_no = l.unit_no and p.position = l.position
  union all
  select life_id, 'fitted', unnest(map_entries(attributes)) from fitted
)
select life_id, origin, entry.key as name, trim(entry.value) as level
from said
where trim(entry.value) <> ''
union all
select f.life_id, 'fitting', v.name, trim(v.level)
from fitted f
cross join lateral (
  select unnest(['lot', 'shop', 'crew', 'grease_grade']) as name, unnest([lot, shop, crew, grease_grade]) as level
) v
where trim(v.level) <> ''
union all
select l.life_id, 'fitting', 'lot', trim(p.lot)
from life l
join position_now p on p.unit_no = l.unit_no and p.position = l.position
where l.start_kind = 0 and trim(p.lot) <> ''
order by life_id, origin, name

-- One row per life and factor that has a level: what was known when the part was fitted. origin: the truck, the place,
-- or the order that fitted it (contract columns: fitting; the fleet's own: fitted).
with fitted as (
  select l.life_id, e.lot, e.shop, e.crew, e.grease_grade, e.row_id
  from life l
  join replace_event e on l.start_kind = 1 and e.place_no = l.place_no and e.event_no = l.fitted_by
),
said as (
  select l.life_id, 'unit' as origin, unnest(map_entries(u.attributes)) as entry
  from life l
  join unit_now n on n.unit_no = l.unit_no
  join units u on u.unit_id = n.unit_id and u.row_id = n.row_id
  union all
  select l.life_id, 'position', unnest(map_entries(p.attributes))
  from life l
  join unit_now n on n.unit_no = l.unit_no
  join position_now o on o.place_no = l.place_no
  join positions p on p.unit_id = n.unit_id and p.row_id = o.row_id
  union all
  select f.life_id, 'fitted', unnest(map_entries(s.attributes))
  from fitted f
  join services s on s.row_id = f.row_id
),
told as (
  select life_id, origin, entry.key as name, trim(entry.value) as level from said
  union all
  select life_id, 'fitting', 'lot', trim(lot) from fitted
  union all
  select life_id, 'fitting', 'shop', trim(shop) from fitted
  union all
  select life_id, 'fitting', 'crew', trim(crew) from fitted
  union all
  select life_id, 'fitting', 'grease_grade', trim(grease_grade) from fitted
  union all
  select l.life_id, 'fitting', 'lot', trim(p.lot)
  from life l
  join position_now p on p.place_no = l.place_no
  where l.start_kind = 0
)
select life_id, origin, name, level
from told
where level <> ''
order by life_id, origin, name

-- One row per truck and attribute that has a value.
select u.unit_id, a.entry.key as name, trim(a.entry.value) as level
from unit_now u
cross join lateral (select unnest(map_entries(u.attributes)) as entry) a
where trim(a.entry.value) <> ''
order by u.unit_id, name

-- One row per truck and attribute that has a value.
select n.unit_id, a.entry.key as name, trim(a.entry.value) as level
from unit_now n
join units u on u.unit_id = n.unit_id and u.row_id = n.row_id
cross join lateral (select unnest(map_entries(u.attributes)) as entry) a
where trim(a.entry.value) <> ''
order by n.unit_id, name

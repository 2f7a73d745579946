-- The names of $names that are the component of no position.
select name
from (select unnest($names) as name)
where name not in (select component from positions where component is not null)
order by name

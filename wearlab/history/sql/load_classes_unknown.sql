-- The names of $names that are the duty cycle of no unit, at first or after a change.
select name
from (select unnest($names) as name)
where name not in (select duty_cycle from units where duty_cycle is not null)
  and name not in (select duty_cycle from duty_changes where duty_cycle is not null)
order by name

-- The lives that can be fitted, as a plain lives file holds them.
select unit_id, position, component, duty_cycle, hardware, mode, entry, exit, failed, lower, upper
from life
where fittable
order by life_id

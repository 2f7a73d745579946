-- The lives left out.
select o.component, o.duty_cycle, u.unit_id, o.position, o.reason, cast(o.lives as bigint) as lives
from left_out o
join unit_now u on u.unit_no = o.unit_no
order by o.component, o.duty_cycle, u.unit_no, o.position, o.reason

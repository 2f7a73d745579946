-- One row per truck and day on which its duty cycle or a plan for it may change.
select unit_no, in_service_day as day from unit_now
union
select unit_no, from_day from duty_now
union
select u.unit_no, greatest(p.from_day, u.in_service_day)
from plan_now p
join unit_now u on u.unit_no = p.unit_no
union
select d.unit_no, greatest(p.from_day, u.in_service_day)
from plan_now p
join duty_now d on d.duty_cycle = p.duty_cycle
join unit_now u on u.unit_no = d.unit_no
where p.unit_no is null

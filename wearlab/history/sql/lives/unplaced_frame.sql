-- Replacement orders of which the position was not recorded, counted by component and class; those within the record.
select o.component, d.duty_cycle, cast(count(*) as bigint) as orders
from replace_order o
join unit_now u on u.unit_no = o.unit_no
join duty_now d on d.unit_no = o.unit_no and o.day >= d.from_day and o.day < d.until_day
where o.place_no is null and o.day >= u.record_start
group by o.component, d.duty_cycle
order by o.component, d.duty_cycle

-- Replacement orders of which the position was not recorded, counted by component and class; those within the record.
select o.component, d.duty_cycle, count(*)::bigint as orders
from unplaced_order o
join unit_now u on u.unit_no = o.unit_no
asof join duty_now d on d.unit_no = o.unit_no and d.from_date <= o.date
where o.date >= u.record_start
group by o.component, d.duty_cycle
order by o.component, d.duty_cycle

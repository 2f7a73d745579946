-- One row per gap that counts, in fixed order: what the shares of spread are worked out from.
select unit_no, shop, duty_cycle, era_no, miles
from gap
where counted
order by unit_no, end_date

-- The ids of work orders that stand in the store more than once, in any version.
select service_id
from services
group by service_id
having count(*) > 1

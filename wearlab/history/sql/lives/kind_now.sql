-- One row per truck and component: how many places have it, the first of them, and whether a regrease reaches any.
select unit_no, component, count(*) as places, min(place_no) as place_no, bool_or(greased) as greased
from position_now
group by unit_no, component

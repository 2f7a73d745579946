-- One row per place on a truck where a part sits: the latest of its rows that speak of a part
-- fitted by $as_of_day. place_no counts the places of a truck in the order of their names.
-- greased: a regrease stop reaches it (a joint or a spline that is not sealed, or the fleet's own greaseable part).
-- Parameters: as_of_day.
with fitted as (
  select
    u.unit_no, p.position, p.component, p.shaft, p.hardware, u.in_service_day,
    coalesce(day_number(p.installed_date), u.in_service_day) as installed_day,
    cast(p.installed_miles as double) as installed_miles, coalesce(p.age_known, true) as age_known, p.lot, p.row_id
  from positions p
  join unit_now u on u.unit_id = p.unit_id
  where coalesce(day_number(p.installed_date), u.in_service_day) <= coalesce(u.out_of_service_day, $as_of_day)
),
latest as (
  select *, row_number() over (partition by unit_no, position order by row_id desc) as nth
  from fitted
)
select
  unit_no,
  unit_no * cast(1000000 as bigint) + row_number() over (partition by unit_no order by position) as place_no,
  position,
  component,
  shaft,
  hardware,
  installed_day,
  installed_miles,
  installed_day = in_service_day as fitted_when_new,
  age_known,
  lot,
  row_id,
  coalesce(hardware in ('greaseable', 'extended_interval'), component in ('joint', 'slip_spline')) as greased
from latest
where nth = 1

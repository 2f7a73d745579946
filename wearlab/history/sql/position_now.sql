-- One row per place on a truck where a part sits: the latest of its rows that speak of a part
-- fitted by $as_of.
-- greased: a regrease stop reaches it (a joint or a spline that is not sealed, or the fleet's own greaseable part).
-- Parameters: as_of.
create or replace temp table position_now as
with latest as (
  select p.*, u.unit_no, u.in_service_date, coalesce(p.installed_date, u.in_service_date) as fitted_date
  from positions p
  join unit_now u on u.unit_id = p.unit_id
  where coalesce(p.installed_date, u.in_service_date) <= coalesce(u.out_of_service_date, $as_of::date)
  qualify row_number() over (partition by p.unit_id, p.position order by p.row_id desc) = 1
)
select
  p.unit_no,
  p.position,
  p.component,
  p.shaft,
  p.hardware,
  p.fitted_date as installed_date,
  p.installed_miles::double as installed_miles,
  p.fitted_date = p.in_service_date as fitted_when_new,
  coalesce(p.age_known, true) as age_known,
  p.lot,
  p.attributes,
  coalesce(
    p.hardware in ('greaseable', 'extended_interval'), p.component in ('joint', 'slip_spline')
  ) as greased
from latest p
order by p.unit_no, p.position

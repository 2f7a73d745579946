-- One row per place on a truck where a part sits: the latest row, of those fitted by $as_of.
-- greased: a regrease stop reaches it (a joint or a spline that is not sealed, or the fleet's own greaseable part).
-- Parameters: as_of.
create or replace temp table position_now as
with latest as (
  select *
  from positions
  qualify row_number() over (partition by unit_id, position order by row_id desc) = 1
)
select
  u.unit_no,
  p.position,
  p.component,
  p.shaft,
  p.hardware,
  coalesce(p.installed_date, u.in_service_date) as installed_date,
  p.installed_miles::double as installed_miles,
  coalesce(p.installed_date, u.in_service_date) = u.in_service_date as fitted_when_new,
  coalesce(p.age_known, true) as age_known,
  p.lot,
  p.attributes,
  coalesce(
    p.hardware in ('greaseable', 'extended_interval'), p.component in ('joint', 'slip_spline')
  ) as greased
from latest p
join unit_now u on u.unit_id = p.unit_id
where coalesce(p.installed_date, u.in_service_date) <= coalesce(u.out_of_service_date, $as_of::date)
order by u.unit_no, p.position

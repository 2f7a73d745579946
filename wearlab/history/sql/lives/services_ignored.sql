-- How many loaded services up to $as_of_day belong to no truck in service on their day, and why. Parameters: as_of_day.
with rows as (
  select 'service of a truck that is not listed' as why, count(*) as n
  from services s
  left join (select distinct unit_id from units) u on u.unit_id = s.unit_id
  where day_number(s.date) <= $as_of_day and u.unit_id is null
  union all
  select 'service dated before the truck was in service, or after it left', count(*)
  from services s
  join unit_all u on u.unit_id = s.unit_id
  where day_number(s.date) <= $as_of_day
    and (day_number(s.date) < u.in_service_day or day_number(s.date) > u.out_of_service_day)
)
select why, cast(n as bigint) as n from rows where n > 0 order by why

-- One row per truck, day and what was looked at. covers: 0 the whole unit (an inspect or regrease without a position
-- covers every position, a sealed part too: it is seen when its neighbours are greased), place_no one position, less
-- the first place_no of its component one component.
with covered as (
  select
    m.unit_no, m.day, m.miles, m.hours, m.action, m.cups_purged,
    case when m.position is not null then m.place_no when m.component is not null then -k.place_no else 0 end as covers
  from service_metered m
  left join kind_now k on k.unit_no = m.unit_no and k.component = m.component
  where m.action in ('inspect', 'regrease')
)
select
  unit_no, covers, day,
  max(miles) as miles,
  max(hours) as hours,
  bool_or(action = 'regrease') as regreased,
  avg(case when action = 'regrease' then cups_purged end) as cups_purged
from covered
where covers is not null
group by unit_no, covers, day

-- One row per truck, day and what was looked at: the whole unit (an inspect or regrease without a position covers every
-- position, a sealed part too: it is seen when its neighbours are greased), one component, or one position.
create or replace temp table look as
select
  unit_no,
  case
    when position is not null then 'position:' || position
    when component is not null then 'component:' || component
    else 'unit'
  end as covers,
  date,
  max(miles) as miles,
  max(hours) as hours,
  bool_or(action = 'regrease') as regreased,
  avg(cups_purged) filter (where action = 'regrease') as cups_purged
from service_metered
where action in ('inspect', 'regrease')
group by all
order by unit_no, covers, date

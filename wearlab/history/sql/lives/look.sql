-- One row per day and what was looked at (covers of service_now). An inspect or regrease without a position covers
-- every position, a sealed part too: it is seen when its neighbours are greased.
select
  covers, day,
  max(miles) as miles,
  max(hours) as hours,
  bool_or(action = 'regrease') as regreased,
  avg(case when action = 'regrease' then cups_purged end) as cups_purged
from service_metered
where action in ('inspect', 'regrease') and covers is not null
group by covers, day

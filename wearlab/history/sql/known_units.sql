-- One row per truck, in place of units: the latest of its rows that was known on $as_of; where none was, the first that
-- became known (of one file the last). A row was known from the day it says itself, else from the day on which its file
-- was loaded. Parameters: as_of.
create or replace temp table units as
with dated as (
  select u.row_id, u.unit_id, u.file_id, coalesce(known_day(u.attributes), f.loaded_at) as since
  from main.units u
  left join main.files f on f.file_id = u.file_id
),
ranked as (
  select
    row_id,
    row_number() over (
      partition by unit_id
      order by
        case when coalesce(since > $as_of, false) then 1 else 0 end,
        case when since > $as_of then since end,
        case when since > $as_of then file_id end,
        since desc nulls last,
        row_id desc
    ) as nth
  from dated
)
select u.*
from main.units u
join ranked r on r.row_id = u.row_id
where r.nth = 1

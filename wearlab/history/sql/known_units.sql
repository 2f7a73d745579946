-- One row per truck, in place of units: the latest of its rows that was known on $as_of; where none was, the first of
-- those that do not say since when (of one file the last), else the first of those that were written down later. A row
-- was known from the day it says itself, else from the day on which its file was loaded. Parameters: as_of.
create or replace temp table units as
with dated as (
  select u.row_id, u.unit_id, u.file_id, known_day(u.attributes) as said, f.loaded_at
  from main.units u
  left join main.files f on f.file_id = u.file_id
),
judged as (
  select
    *,
    case
      when coalesce(said, loaded_at, $as_of) <= $as_of then 0
      when said is null then 1
      else 2
    end as doubt
  from dated
),
ranked as (
  select
    row_id,
    row_number() over (
      partition by unit_id
      order by
        doubt,
        case when doubt = 0 then coalesce(said, loaded_at) end desc nulls last,
        case when doubt = 1 then loaded_at when doubt = 2 then said end,
        case when doubt = 1 then file_id end,
        row_id desc
    ) as nth
  from judged
)
select u.*
from main.units u
join ranked r on r.row_id = u.row_id
where r.nth = 1

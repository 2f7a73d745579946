-- One row per position, in place of positions: the latest of its rows that was known on $as_of; where none was, the first
-- of those that do not say since when (of one file the last), else the first of those that were written down later. A
-- row was known from the day it says itself, else from the day on which its file was loaded, and not before its part
-- was fitted. Parameters: as_of.
create or replace temp table positions as
with dated as (
  select p.row_id, p.unit_id, p.position, p.file_id, case when p.installed_date > $as_of then p.installed_date else known_day(p.attributes) end as said, f.loaded_at
  from main.positions p
  left join main.files f on f.file_id = p.file_id
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
      partition by unit_id, position
      order by
        doubt,
        case when doubt = 0 then coalesce(said, loaded_at) end desc nulls last,
        case when doubt = 1 then loaded_at when doubt = 2 then said end,
        case when doubt = 1 then file_id end,
        row_id desc
    ) as nth
  from judged
)
select p.*
from main.positions p
join ranked r on r.row_id = p.row_id
where r.nth = 1

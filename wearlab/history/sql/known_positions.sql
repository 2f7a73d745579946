-- One row per position, in place of positions: the latest of its rows that was known on $as_of; where none was, the
-- first that became known (of one file the last). A row was known from the day it says itself, else from the day on
-- which its file was loaded; a row that speaks of a part fitted after $as_of was not known. Parameters: as_of.
create or replace temp table positions as
with dated as (
  select
    p.row_id, p.unit_id, p.position, p.file_id,
    greatest(coalesce(known_day(p.attributes), f.loaded_at), p.installed_date) as since
  from main.positions p
  left join main.files f on f.file_id = p.file_id
),
ranked as (
  select
    row_id,
    row_number() over (
      partition by unit_id, position
      order by
        case when coalesce(since > $as_of, false) then 1 else 0 end,
        case when since > $as_of then since end,
        case when since > $as_of then file_id end,
        since desc nulls last,
        row_id desc
    ) as nth
  from dated
)
select p.*
from main.positions p
join ranked r on r.row_id = p.row_id
where r.nth = 1

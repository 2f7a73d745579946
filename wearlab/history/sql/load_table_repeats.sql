-- One row per staged row of THIS_TABLE that can be used but repeats a row before it, or one in the store.
create or replace temp table repeats as
with usable as (
  select rowid as staged_row, file_id, row_hash
  from staged_THIS_TABLE
  where fault is null
    and rowid not in (select staged_row from aside where table_name = $table and staged_row is not null)
),
twice as (
  select row_hash, min(staged_row) as first_row
  from usable
  group by row_hash
  having count(*) > 1
),
stored as (
  select row_hash from THIS_TABLE semi join usable using (row_hash)
)
select u.staged_row, u.file_id
from usable u
left join twice t on t.row_hash = u.row_hash
where u.staged_row > t.first_row or u.row_hash in (select row_hash from stored)

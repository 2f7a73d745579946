-- One row per staged row of THIS_TABLE that can be used: new, or an exact repeat of a row before it or in the store.
create or replace temp table judged as
select rowid as staged_row, file_id,
  row_number() over (partition by row_hash order by rowid) = 1
    and row_hash not in (select row_hash from THIS_TABLE where row_hash is not null) as is_new
from staged_THIS_TABLE
where fault is null
  and rowid not in (select staged_row from aside where table_name = $table and staged_row is not null)

-- What became of the rows of each file of one table: new rows, rows set aside, exact repeats.
select file_id, count(*) filter (where what = 'new') as rows_loaded, count(*) filter (where what = 'aside') as rows_set_aside,
  count(*) filter (where what = 'repeat') as rows_already_loaded
from (
  select file_id, case when is_new then 'new' else 'repeat' end as what from judged
  union all
  select file_id, 'aside' as what from aside where table_name = $table
)
group by file_id
order by file_id

-- What became of the rows of each file of THIS_TABLE: rows staged, of them repeats; rows set aside, of them never staged.
select f.file_id, coalesce(s.rows, 0), coalesce(r.rows, 0), coalesce(a.rows, 0), coalesce(a.malformed, 0)
from (select unnest($file_ids) as file_id) f
left join (
  select file_id, count(*) as rows from staged_THIS_TABLE where fault is distinct from -1 group by file_id
) s on s.file_id = f.file_id
left join (select file_id, count(*) as rows from repeats group by file_id) r on r.file_id = f.file_id
left join (
  select file_id, count(*) as rows, count(*) filter (where staged_row is null) as malformed
  from aside where table_name = $table group by file_id
) a on a.file_id = f.file_id
order by f.file_id

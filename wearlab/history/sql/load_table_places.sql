-- The number of staged rows of each of some files of THIS_TABLE, and the first of them.
select file_id, count(*) as rows, min(rowid) as first_row
from staged_THIS_TABLE
where list_contains($ids, file_id)
group by file_id
order by file_id

-- The number of staged rows of each of some files of THIS_TABLE.
select file_id, count(*) as rows from staged_THIS_TABLE where list_contains($ids, file_id) group by file_id order by file_id

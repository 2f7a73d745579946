-- All trucks touched by this change, where rows of THIS_TABLE (from row $first on; of one file where $file_id is given) are.
insert into touched
select null, value::bigint
from facts
where name = 'change'
  and exists (select 1 from THIS_TABLE where row_id >= $first and ($file_id is null or file_id = $file_id))

-- The trucks of rows of THIS_TABLE (from row $first on; of one file where $file_id is given) touched by this change.
merge into touched t
using (
  select distinct unit_id from THIS_TABLE where row_id >= $first and ($file_id is null or file_id = $file_id)
) r
on t.unit_id = r.unit_id
when matched then update set change_number = (select value::bigint from facts where name = 'change')
when not matched then insert values (r.unit_id, (select value::bigint from facts where name = 'change'))

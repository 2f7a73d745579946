-- The log of replaced rows of THIS_TABLE taken out for the keys that this load has touched.
delete from changes
where table_name = $table and key in (select concat_ws(' ', THIS_KEY) from twice)

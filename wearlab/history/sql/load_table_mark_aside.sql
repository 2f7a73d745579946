-- The staged rows of THIS_TABLE that are set aside, marked so.
update staged_THIS_TABLE set fault = -2
where fault is null and rowid in (select staged_row from aside where table_name = $table and staged_row is not null)

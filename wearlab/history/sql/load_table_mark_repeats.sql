-- The staged rows of THIS_TABLE that are there already, marked so.
update staged_THIS_TABLE set fault = -3 where rowid in (select staged_row from repeats)

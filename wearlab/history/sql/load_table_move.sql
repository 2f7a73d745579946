-- The new rows of THIS_TABLE, in the order in which they were read.
insert into THIS_TABLE by name
select staged_THIS_TABLE.* exclude (fault, fault_value), $first + staged_THIS_TABLE.rowid as row_id
from staged_THIS_TABLE
join judged on judged.staged_row = staged_THIS_TABLE.rowid
where judged.is_new
order by staged_THIS_TABLE.rowid

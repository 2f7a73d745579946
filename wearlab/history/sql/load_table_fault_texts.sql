-- The texts in which one fault of one file of THIS_TABLE was found, with the first line of each.
select fault_value, min(line) as line, count(*) as rows
from staged_THIS_TABLE
where fault = $fault and file_id = $file_id
group by fault_value
order by line

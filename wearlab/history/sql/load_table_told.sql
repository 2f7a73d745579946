-- How many values of one column of THIS_TABLE each keyword rule told, by the part that it looks for.
select attributes[concat('inferred ', $column)] as part, count(*) as rows
from THIS_TABLE
where attributes[concat('inferred ', $column)] is not null
group by part
order by part

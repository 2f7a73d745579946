-- The texts in which no keyword rule found a value for a blank column of THIS_TABLE, the commonest first; those of rows set
-- aside for it stand among them.
select text, count(*) as rows
from (
  select THIS_TEXT as text from THIS_TABLE where THIS_COLUMN is null
  union all
  select value from set_aside where table_name = $table and column_name = $column and reason like '%no keyword rule%'
)
where text is not null
group by text
order by rows desc, text
limit 50

-- One row per row of THIS_TABLE that a later one with its key has replaced, for the keys that stand more than once.
insert into changes
with ranked as (
  select THIS_KEY, file_id, line, row_number() over ranking as place,
    first_value(file_id) over ranking as by_file_id, first_value(line) over ranking as by_line
  from THIS_TABLE semi join twice using (THIS_KEY)
  window ranking as (partition by THIS_KEY order by THIS_ORDER)
)
select $table, concat_ws(' ', THIS_KEY), place, file_id, line, by_file_id, by_line
from ranked
where place > 1

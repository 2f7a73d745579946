-- What is wrong with the bookkeeping of the rows of THIS_TABLE: how many have no number, file or line, how many the number
-- of another, and how many say all that another says.
select
  count(*) filter (where row_id is null or file_id is null or line is null),
  count(row_id) - count(distinct row_id),
  (select coalesce(sum(rows - 1), 0) from (
    select count(*) as rows
    from THIS_TABLE semi join (select THIS_KEY from THIS_TABLE group by THIS_KEY having count(*) > 1) using (THIS_KEY)
    group by THESE_COLUMNS
  ))
from THIS_TABLE

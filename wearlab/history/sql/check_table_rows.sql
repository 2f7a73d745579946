-- What is wrong with the bookkeeping of the rows of THIS_TABLE: how many have no number or hash, or one that another has.
select
  count(*) filter (where row_id is null or file_id is null or line is null or row_hash is null),
  count(row_id) - count(distinct row_id),
  count(row_hash) - count(distinct row_hash)
from THIS_TABLE

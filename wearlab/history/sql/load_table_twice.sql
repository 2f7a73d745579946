-- The keys that stand more than once among the usable staged rows of THIS_TABLE and the rows of the store.
create or replace temp table twice as
select THIS_KEY from usable group by THIS_KEY having count(*) > 1
union
select THIS_KEY from usable semi join THIS_TABLE using (THIS_KEY)

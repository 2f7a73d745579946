-- The keys that stand more than once in THIS_TABLE.
create or replace temp table twice as
select THIS_KEY from THIS_TABLE group by THIS_KEY having count(*) > 1

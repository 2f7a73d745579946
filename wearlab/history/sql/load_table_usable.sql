-- The keys of the staged rows of THIS_TABLE that can be used.
create or replace temp view usable as
select THIS_KEY from staged_THIS_TABLE where fault is null

-- The number of the last change of rows, 0 where there was none.
select coalesce(max(value::bigint), 0) from facts where name = 'change'

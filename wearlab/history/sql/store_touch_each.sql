-- All trucks touched by this change.
insert into touched select null, value::bigint from facts where name = 'change'

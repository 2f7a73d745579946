-- A moment from ISO 8601 text; a date alone is its midnight; null for anything else.
create or replace temp macro read_time(x) as
  case when read_day(x) is not null
       then coalesce(try_cast(replace(x, 'T', ' ') as timestamp), try_cast(left(x, 10) as timestamp)) end

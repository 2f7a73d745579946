-- A date from ISO 8601 text, with or without a time of day, which is dropped; null for anything else.
create or replace temp macro read_day(x) as
  case when length(x) = 10 and x[5] = '-' and x[8] = '-' and x[1] between '0' and '9' then try_cast(x as date)
       when length(x) > 10 and regexp_full_match(
         x, '[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}([.][0-9]+)?)? ?(Z|[+-][0-9]{2}:?[0-9]{2})?')
       then try_cast(left(x, 10) as date) end

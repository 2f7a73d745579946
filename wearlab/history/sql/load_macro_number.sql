-- A number from text: decimal digits with a point and perhaps an exponent; null for anything else, NaN and infinity too.
create or replace temp macro read_number(x) as
  case when isfinite(try_cast(x as double)) and not contains(x, '_') then try_cast(x as double) end

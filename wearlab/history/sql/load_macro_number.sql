-- A number from text: decimal digits with a point and perhaps an exponent; null for anything else, NaN and infinity too.
create or replace temp macro read_number(x) as
  case when regexp_full_match(x, '[+-]?([0-9]+[.]?[0-9]*|[.][0-9]+)([eE][+-]?[0-9]+)?')
         and isfinite(try_cast(x as double))
       then try_cast(x as double) end

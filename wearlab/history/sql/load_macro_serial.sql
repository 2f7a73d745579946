-- A moment from the day count of a spreadsheet, in which 25569 is 1970-01-01; null for anything else.
create or replace temp macro read_serial(x) as
  case when regexp_full_match(x, '[0-9]{1,6}([.][0-9]+)?')
       then timestamp '1899-12-30' + to_seconds(round(try_cast(x as double) * 86400)) end

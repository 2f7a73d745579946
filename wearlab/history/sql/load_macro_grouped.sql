-- A number from text as plain text: thousands separators taken out of whole groups of three, the decimal mark a point.
create or replace temp macro plain_number(x, thousands, decimal_mark) as
  case when thousands <> '' and contains(x, thousands)
         and not regexp_full_match(
           replace(replace(x, thousands, 't'), decimal_mark, 'd'), '[+-]?[0-9]{1,3}(t[0-9]{3})+(d[0-9]*)?')
       then 'no number'
       when decimal_mark <> '.' and contains(replace(x, thousands, ''), '.') then 'no number'
       else replace(replace(x, thousands, ''), decimal_mark, '.') end

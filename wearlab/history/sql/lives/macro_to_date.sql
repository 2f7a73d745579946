-- A whole number of days since 1970-01-01 as a date.
create or replace temp macro to_date(x) as date '1970-01-01' + x

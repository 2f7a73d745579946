-- A whole number of days since 1970-01-01 as a date.
create or replace temp macro date_of_day(x) as date '1970-01-01' + x

-- A date as a whole number of days since 1970-01-01: days are compared and subtracted alike in every database.
create or replace temp macro day_number(x) as cast(date_diff('day', date '1970-01-01', x) as integer)

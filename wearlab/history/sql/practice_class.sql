-- One row per shop and class with gaps that count: its mean miles per stop; shop null: the whole class.
create or replace temp table practice_class as
select shop, duty_cycle, mean_miles::double as mean_miles, whole_class
from practice_class_frame
order by duty_cycle, whole_class, shop

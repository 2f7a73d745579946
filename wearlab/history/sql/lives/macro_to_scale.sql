-- The place of a moment on the truck's own life scale. days are counted from 1970-01-01.
create or replace temp macro to_scale(scale, miles, hours, day, turns_per_mile) as
case scale
  when 'miles' then miles
  when 'joint_cycles' then miles * turns_per_mile
  when 'engine_hours' then hours
  when 'days' then cast(day as double)
end

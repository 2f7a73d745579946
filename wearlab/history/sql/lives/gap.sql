-- One row per stretch between two regrease stops of a truck within the record; for a truck in service before it, the
-- first runs from the first day of the record. era_no: in force just before its end. A gap counts as practice unless
-- the record cut it, a failure was repaired on the day it ended, it ended within 7 days of a replacement of a greased
-- part of this truck, or its miles are unknown. Parameters: records_from_day.
with repaired as (
  select unit_no, day, bool_or(reason = 'failure') as failed, bool_or(greased) as greased
  from replace_order
  group by unit_no, day
),
in_record as (
  select s.unit_no, s.day, s.miles, s.hours, false as cut
  from stop s
  join unit_now u on u.unit_no = s.unit_no
  where s.day >= u.record_start
  union all
  select u.unit_no, u.record_start, e.record_miles, e.record_hours, true
  from unit_now u
  join unit_end e on e.unit_no = u.unit_no
  left join stop s on s.unit_no = u.unit_no and s.day = u.record_start
  where u.in_service_day < $records_from_day and s.unit_no is null
),
between_stops as (
  select
    unit_no,
    lag(day) over following as start_day, day as end_day,
    lag(miles) over following as start_miles, miles as end_miles,
    lag(hours) over following as start_hours, hours as end_hours,
    lag(cut) over following as cut
  from in_record
  window following as (partition by unit_no order by day)
),
marks as (
  select unit_no, end_day, end_day + 7 as day, 1 as kind, null::integer as replaced_day
  from between_stops
  union all
  select unit_no, null, day, 0, day
  from repaired
  where greased
),
near as (
  select
    unit_no, end_day,
    last_value(replaced_day ignore nulls) over (
      partition by unit_no order by day, kind rows between unbounded preceding and current row
    ) as replaced_day
  from marks
),
judged as (
  select
    b.*,
    b.end_miles - b.start_miles as miles,
    b.end_day - b.start_day as days,
    b.end_hours - b.start_hours as hours,
    case
      when b.cut then 'cut_by_record'
      when r.failed then 'ended_by_repair'
      when n.replaced_day >= b.end_day - 7 then 'near_replacement'
      when coalesce(b.end_miles - b.start_miles, 0e0) <= 0 then 'no_meter'
    end as why_not
  from between_stops b
  left join near n on n.unit_no = b.unit_no and n.end_day = b.end_day
  left join repaired r on r.unit_no = b.unit_no and r.day = b.end_day
  where b.start_day is not null
)
select
  j.unit_no, j.start_day, j.end_day, j.start_miles, j.end_miles, j.miles, j.days, j.hours, j.why_not,
  j.why_not is null as counted, e.era_no, e.duty_cycle, s.shop
from judged j
join era e on e.unit_no = j.unit_no and j.end_day > e.from_day and j.end_day <= e.until_day
join truck_shop s on s.unit_no = j.unit_no

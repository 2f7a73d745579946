-- One row per stretch between two regrease stops of a truck within the record; for a truck in service before it, the
-- first runs from the first day of the record. era_no: in force just before its end. A gap counts as practice unless
-- the record cut it, a failure was repaired on the day it ended, it ended within 7 days of a replacement of a greased
-- part of this truck, or its miles are unknown. Parameters: records_from.
create or replace temp table gap as
with repaired as (
  select unit_no, date, bool_or(reason = 'failure') as failed, bool_or(greased) as greased
  from replace_order
  group by unit_no, date
),
in_record as (
  select s.unit_no, s.date, s.miles, s.hours, false as cut
  from stop s join unit_now u on u.unit_no = s.unit_no
  where s.date >= u.record_start
  union all
  select u.unit_no, u.record_start, d.miles, d.hours, true
  from unit_now u
  join dated d on d.unit_no = u.unit_no and d.date = u.record_start
  where u.in_service_date < $records_from::date
    and not exists (select 1 from stop s where s.unit_no = u.unit_no and s.date = u.record_start)
),
between_stops as (
  select
    unit_no,
    lag(date) over w as start_date, date as end_date,
    lag(miles) over w as start_miles, miles as end_miles,
    lag(hours) over w as start_hours, hours as end_hours,
    lag(cut) over w as cut
  from in_record
  window w as (partition by unit_no order by date)
),
near as (
  select b.unit_no, b.end_date,
    bool_or(r.failed and r.date = b.end_date) as failed,
    bool_or(r.greased) as replaced
  from between_stops b
  join repaired r on r.unit_no = b.unit_no and r.date between b.end_date - 7 and b.end_date + 7
  group by b.unit_no, b.end_date
),
judged as (
  select
    b.*,
    b.end_miles - b.start_miles as miles,
    b.end_date - b.start_date as days,
    b.end_hours - b.start_hours as hours,
    case
      when b.cut then 'cut_by_record'
      when n.failed then 'ended_by_repair'
      when n.replaced then 'near_replacement'
      when coalesce(b.end_miles - b.start_miles, 0) <= 0 then 'no_meter'
    end as why_not
  from between_stops b
  left join near n on n.unit_no = b.unit_no and n.end_date = b.end_date
  where b.start_date is not null
)
select j.*, j.why_not is null as counted, e.era_no, e.duty_cycle, s.shop
from judged j
asof join era e on e.unit_no = j.unit_no and e.from_date < j.end_date
join truck_shop s on s.unit_no = j.unit_no
order by j.unit_no, j.end_date

-- One row per stretch of one position between two moments at which the part there changed or became uncertain. known:
-- the part's age is known (not before the next replacement where age_known is false, nor after a replacement of which
-- the position was not recorded). On one day a replacement of this position comes before one without position.
create or replace temp table segment as
with boundary as (
  select s.unit_no, s.position, 0 as kind, s.date, s.miles, s.hours, p.age_known as known,
    null::bigint as event_no
  from part_start s
  join position_now p on p.unit_no = s.unit_no and p.position = s.position
  union all
  select unit_no, position, 1, date, miles, hours, true, event_no
  from replace_event
  union all
  select o.unit_no, p.position, 2, o.date, min(o.miles), min(o.hours), false, null
  from unplaced_order o
  join position_now p on p.unit_no = o.unit_no and p.component = o.component and p.installed_date <= o.date
  group by o.unit_no, p.position, o.date
),
certain as (
  select * exclude known_before
  from (select *, lag(known) over (partition by unit_no, position order by kind > 0, date, kind, event_no) as known_before
        from boundary)
  where kind <> 2 or known_before
),
ended as (
  select * from certain
  union all
  select
    b.unit_no, b.position, 3, greatest(max(b.date), any_value(e.date)),
    case when max(b.date) <= any_value(e.date) then any_value(e.miles) end,
    case when max(b.date) <= any_value(e.date) then any_value(e.hours) end,
    false, null
  from certain b
  join unit_end e on e.unit_no = b.unit_no
  group by b.unit_no, b.position
),
stretches as (
  select
    unit_no, position, kind as start_kind, date as start_date, miles as start_miles, hours as start_hours, known,
    event_no as fitted_by,
    lead(kind) over w as end_kind, lead(date) over w as end_date, lead(miles) over w as end_miles,
    lead(hours) over w as end_hours, lead(event_no) over w as ended_by
  from ended
  window w as (partition by unit_no, position order by kind > 0, kind = 3, date, kind, event_no)
)
select
  s.*,
  greatest(s.start_date, u.record_start) as entry_date,
  row_number() over (partition by s.unit_no, s.position order by s.start_kind > 0, s.start_date, s.start_kind, s.fitted_by)
    as life_number
from stretches s
join unit_now u on u.unit_no = s.unit_no
where s.start_kind <> 3
  and (s.end_date >= u.record_start or (s.end_kind = 3 and u.out_of_service_date is null))
order by s.unit_no, s.position, life_number

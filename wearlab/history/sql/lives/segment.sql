-- One row per stretch of one position between two moments at which the part there changed or became uncertain. known:
-- the part's age is known (not before the next replacement where age_known is false, nor after a replacement of which
-- the position was not recorded). On one day a replacement of this position comes before one without position.
-- kind: 0 first part, 1 replacement, 2 replacement without position, 3 the end.
with boundary as (
  select s.unit_no, s.place_no, 0 as kind, s.day, s.miles, s.hours, p.age_known as known, null::bigint as event_no
  from part_start s
  join position_now p on p.place_no = s.place_no
  union all
  select unit_no, place_no, 1, day, miles, hours, true, event_no
  from replace_event
  union all
  select o.unit_no, p.place_no, 2, o.day, min(o.miles), min(o.hours), false, null
  from replace_order o
  join position_now p on p.unit_no = o.unit_no and p.component = o.component and p.installed_day <= o.day
  where o.place_no is null
  group by o.unit_no, p.place_no, o.day
),
doubted as (
  select distinct place_no
  from boundary
  where kind = 2
),
followed as (
  select
    b.*,
    lag(known) over (
      partition by b.place_no order by case when kind = 0 then 0 else 1 end, day, kind, event_no
    ) as known_before
  from boundary b
  join doubted d on d.place_no = b.place_no
),
certain as (
  select unit_no, place_no, kind, day, miles, hours, known, event_no
  from followed
  where kind <> 2 or known_before
  union all
  select b.unit_no, b.place_no, b.kind, b.day, b.miles, b.hours, b.known, b.event_no
  from boundary b
  left join doubted d on d.place_no = b.place_no
  where d.place_no is null
),
lasting as (
  select unit_no, place_no, max(day) as last_day
  from certain
  group by unit_no, place_no
),
ended as (
  select unit_no, place_no, kind, day, miles, hours, known, event_no
  from certain
  union all
  select
    l.unit_no, l.place_no, 3, greatest(l.last_day, e.day),
    case when l.last_day <= e.day then e.miles end, case when l.last_day <= e.day then e.hours end, false, null
  from lasting l
  join unit_end e on e.unit_no = l.unit_no
),
stretches as (
  select
    unit_no, place_no, kind as start_kind, day as start_day, miles as start_miles, hours as start_hours, known,
    event_no as fitted_by,
    lead(kind) over following as end_kind, lead(day) over following as end_day, lead(miles) over following as end_miles,
    lead(hours) over following as end_hours, lead(event_no) over following as ended_by
  from ended
  window following as (
    partition by place_no
    order by case when kind = 0 then 0 when kind = 3 then 2 else 1 end, day, kind, event_no
  )
)
select
  s.*,
  greatest(s.start_day, u.record_start) as entry_day,
  row_number() over (
    partition by s.place_no
    order by case when s.start_kind = 0 then 0 else 1 end, s.start_day, s.start_kind, s.fitted_by
  ) as life_number
from stretches s
join unit_now u on u.unit_no = s.unit_no
where s.start_kind <> 3
  and (s.end_day >= u.record_start or (s.end_kind = 3 and u.out_of_service_day is null))

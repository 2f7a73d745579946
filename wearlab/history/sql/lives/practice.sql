-- One row per truck and moment at which what is known of its practice may change: the first day of its record (open to
-- the left), each stop and each new era after it. x: mean of its last five gaps that count in this era (those that
-- ended after the era began); own: its mean over all earlier gaps that count in this duty cycle; both shrunken:
--   own' = w_own * own + (1 - w_own) * class,   w_own = var_truck / (var_truck + var_local / blocks + var_gap / n)
--   practised = w_x * x + (1 - w_x) * own',     w_x = var_local / (var_local + var_gap / gaps behind)
-- with n the gaps in own, blocks = ceil(n / 5), class the mean of its shop in this duty cycle (else of the duty cycle);
-- these are the best linear predictions under nested random effects. Before the first gap of an era: the plan in force,
-- else that class mean. limit_miles: the meter at which an open gap exceeds twice the truck's longest gap so far.
-- Parameters: var_gap, var_local, var_truck.
with moments as (
  select u.unit_no, u.record_start as day, e.record_miles as miles, e.record_hours as hours,
    cast('-infinity' as double) as place, s.day as stop_day, s.miles as stop_miles
  from unit_now u
  join unit_end e on e.unit_no = u.unit_no
  left join stop s on s.unit_no = u.unit_no and s.day = u.record_start
  union all
  select s.unit_no, s.day, s.miles, s.hours, s.place, s.day, s.miles
  from stop s
  join unit_now u on u.unit_no = s.unit_no
  where s.day > u.record_start
  union all
  select e.unit_no, e.from_day, e.miles, e.hours, e.place, null, null
  from era e
  join unit_now u on u.unit_no = e.unit_no
  left join stop s on s.unit_no = e.unit_no and s.day = e.from_day
  where e.from_day > u.record_start and s.unit_no is null
),
placed as (
  select m.*, e.era_no, e.duty_cycle, e.plan_miles
  from moments m
  join era e on e.unit_no = m.unit_no and m.day >= e.from_day and m.day < e.until_day
),
counted as (
  select
    unit_no, era_no, duty_cycle, end_day,
    avg(miles) over last_five as x,
    count(*) over last_five as behind,
    avg(miles) over of_class as own,
    row_number() over of_class as own_gaps,
    max(miles) over (partition by unit_no order by end_day rows between unbounded preceding and current row) as longest
  from gap
  where counted
  window
    last_five as (partition by unit_no, era_no order by end_day rows between 4 preceding and current row),
    of_class as (partition by unit_no, duty_cycle order by end_day rows between unbounded preceding and current row)
),
marks as (
  select unit_no, duty_cycle, end_day as day, 0 as kind, end_day as gap_day, null::integer as stop_day from counted
  union all
  select unit_no, duty_cycle, day, 1, null, stop_day from placed
),
behind as (
  select
    unit_no, day, kind,
    last_value(gap_day ignore nulls) over of_truck as gap_day,
    last_value(stop_day ignore nulls) over of_truck as stop_day
  from marks
  window of_truck as (partition by unit_no order by day, kind rows between unbounded preceding and current row)
),
several as (
  select unit_no
  from era
  group by unit_no
  having min(duty_cycle) < max(duty_cycle)
),
behind_in_class as (
  select
    m.unit_no, m.day, m.kind,
    last_value(m.gap_day ignore nulls) over (
      partition by m.unit_no, m.duty_cycle order by m.day, m.kind rows between unbounded preceding and current row
    ) as own_day
  from marks m
  join several v on v.unit_no = m.unit_no
),
known as (
  select
    m.unit_no, m.day, m.miles, m.hours, m.place, m.era_no, m.duty_cycle, m.plan_miles,
    case when c.era_no = m.era_no then c.x end as x,
    case when c.era_no = m.era_no then c.behind end as behind,
    o.own, o.own_gaps,
    s.miles + 2 * c.longest as limit_miles
  from placed m
  join behind b on b.unit_no = m.unit_no and b.day = m.day and b.kind = 1
  left join counted c on c.unit_no = m.unit_no and c.end_day = b.gap_day
  left join several v on v.unit_no = m.unit_no
  left join behind_in_class w on w.unit_no = m.unit_no and w.day = m.day and w.kind = 1
  left join counted o
    on o.unit_no = m.unit_no and o.end_day = case when v.unit_no is null then b.gap_day else w.own_day end
  left join stop s on s.unit_no = m.unit_no and s.day = b.stop_day
),
classed as (
  select k.*, coalesce(a.mean_miles, b.mean_miles) as class_miles
  from known k
  join truck_shop s on s.unit_no = k.unit_no
  left join practice_class a on not a.whole_class and a.shop = s.shop and a.duty_cycle = k.duty_cycle
  left join practice_class b on b.whole_class and b.duty_cycle = k.duty_cycle
),
weighed as (
  select
    *,
    coalesce($var_local / nullif($var_local + $var_gap / behind, 0), 1e0) as w_x,
    coalesce($var_truck / nullif($var_truck + $var_local / ceil(own_gaps / 5e0) + $var_gap / own_gaps, 0), 1e0) as w_own
  from classed
)
select
  unit_no, day, miles, hours, place, era_no, duty_cycle, limit_miles,
  x as raw_practised_miles,
  coalesce(behind, 0) as gaps_behind,
  case
    when x is not null then w_x * x + (1e0 - w_x) * (w_own * own + (1e0 - w_own) * class_miles)
    when plan_miles is not null then plan_miles
    else class_miles
  end as practised_miles,
  case when x is not null then 'gaps' when plan_miles is not null then 'plan'
    when class_miles is not null then 'class' else 'unknown' end as practice_source
from weighed
where place is not null

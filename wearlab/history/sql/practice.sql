-- One row per truck and moment at which what is known of its practice may change: the first day of its record (open to
-- the left), each stop and each new era after it. x: mean of its last five gaps that count in this era (those that
-- ended after the era began); own: its mean over all earlier gaps that count in this duty cycle; both shrunken:
--   own' = w_own * own + (1 - w_own) * class,   w_own = var_truck / (var_truck + var_local / blocks + var_gap / n)
--   practised = w_x * x + (1 - w_x) * own',     w_x = var_local / (var_local + var_gap / gaps behind)
-- with n the gaps in own, blocks = ceil(n / 5), class the mean of its shop in this duty cycle (else of the duty cycle);
-- these are the best linear predictions under nested random effects. Before the first gap of an era: the plan in force,
-- else that class mean. limit_miles: the meter at which an open gap exceeds twice the truck's longest gap so far.
-- Parameters: var_gap, var_local, var_truck.
create or replace temp table practice as
with moments as (
  select u.unit_no, u.record_start as date, d.miles, d.hours, '-infinity'::double as place
  from unit_now u
  join dated d on d.unit_no = u.unit_no and d.date = u.record_start
  union all
  select s.unit_no, s.date, s.miles, s.hours, s.place
  from stop s
  join unit_now u on u.unit_no = s.unit_no
  where s.date > u.record_start
  union all
  select e.unit_no, e.from_date, e.miles, e.hours, e.place
  from era e
  join unit_now u on u.unit_no = e.unit_no
  where e.from_date > u.record_start
    and not exists (select 1 from stop s where s.unit_no = e.unit_no and s.date = e.from_date)
),
counted as (
  select
    unit_no, era_no, duty_cycle, end_date,
    avg(miles) over (partition by unit_no, era_no order by end_date rows between 4 preceding and current row) as x,
    count(*) over (partition by unit_no, era_no order by end_date rows between 4 preceding and current row) as behind,
    avg(miles) over (partition by unit_no, duty_cycle order by end_date) as own,
    count(*) over (partition by unit_no, duty_cycle order by end_date) as own_gaps,
    max(miles) over (partition by unit_no order by end_date) as longest
  from gap
  where counted
),
known as (
  select
    m.*, e.era_no, e.duty_cycle, e.plan_miles,
    case when c.era_no = e.era_no then c.x end as x,
    case when c.era_no = e.era_no then c.behind end as behind,
    o.own, o.own_gaps,
    p.miles + 2 * c.longest as limit_miles
  from moments m
  asof join era e on e.unit_no = m.unit_no and e.from_date <= m.date
  asof left join counted c on c.unit_no = m.unit_no and c.end_date <= m.date
  asof left join counted o on o.unit_no = m.unit_no and o.duty_cycle = e.duty_cycle and o.end_date <= m.date
  asof left join (select s.* from stop s join unit_now u on u.unit_no = s.unit_no where s.date >= u.record_start) p
    on p.unit_no = m.unit_no and p.date <= m.date
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
    coalesce($var_local / nullif($var_local + $var_gap / behind, 0), 1) as w_x,
    coalesce($var_truck / nullif($var_truck + $var_local / ceil(own_gaps / 5.0e0) + $var_gap / own_gaps, 0), 1) as w_own
  from classed
)
select
  unit_no, date, miles, hours, place, era_no, duty_cycle, limit_miles,
  x as raw_practised_miles,
  coalesce(behind, 0) as gaps_behind,
  case
    when x is not null then w_x * x + (1 - w_x) * (w_own * own + (1 - w_own) * class_miles)
    when plan_miles is not null then plan_miles
    else class_miles
  end as practised_miles,
  case when x is not null then 'gaps' when plan_miles is not null then 'plan'
    when class_miles is not null then 'class' else 'unknown' end as practice_source
from weighed
where place is not null
order by unit_no, date

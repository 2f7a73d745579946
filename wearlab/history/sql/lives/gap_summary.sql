-- One row per truck and duty cycle with gaps that count: what the shares of spread are worked out from. Blocks are up
-- to five consecutive gaps of one era. Squares are sums over gaps about their block's mean, and over blocks about the
-- truck's mean, each in the order of the gaps.
with numbered as (
  select
    unit_no, shop, duty_cycle, era_no, end_day, miles,
    cast(floor((row_number() over (partition by unit_no, era_no order by end_day) - 1) / 5e0) as integer) as block
  from gap
  where counted
),
blocked as (
  select
    *,
    avg(miles) over whole_block as block_mean,
    count(*) over (partition by unit_no, era_no, block) as block_gaps,
    row_number() over (partition by unit_no, era_no, block order by end_day) as in_block,
    avg(miles) over whole_truck as truck_mean
  from numbered
  window
    whole_block as (
      partition by unit_no, era_no, block order by end_day rows between unbounded preceding and unbounded following
    ),
    whole_truck as (
      partition by unit_no, duty_cycle order by end_day rows between unbounded preceding and unbounded following
    )
),
summed as (
  select
    unit_no, shop, duty_cycle, truck_mean,
    row_number() over so_far as gaps,
    sum((miles - block_mean) * (miles - block_mean)) over so_far as within_blocks,
    sum((block_mean - truck_mean) * (block_mean - truck_mean)) over so_far as between_blocks,
    sum(case when in_block = 1 then 1 else 0 end) over so_far as blocks,
    sum(case when in_block = 1 then block_gaps * block_gaps else 0 end) over so_far as block_gaps_squared,
    lead(end_day) over (partition by unit_no, duty_cycle order by end_day) as later
  from blocked
  window so_far as (partition by unit_no, duty_cycle order by end_day rows between unbounded preceding and current row)
)
select
  unit_no, shop, duty_cycle, cast(gaps as bigint) as gaps, truck_mean, within_blocks, between_blocks,
  cast(blocks as bigint) as blocks, cast(block_gaps_squared as bigint) as block_gaps_squared
from summed
where later is null
order by unit_no, duty_cycle

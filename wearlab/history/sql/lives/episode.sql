-- One row per stretch of a life that can be fitted in which practice and duty cycle did not change. A failure found at
-- an inspection keeps its interval whole: what changed after the last look does not cut it.
with placed as (
  select
    life_id, unit_no, start_meter_miles, start_at, failed, lower, upper, entry, exit, entry_day, end_day, entry_miles,
    exit_miles, start_at + entry as entry_at, start_at + exit as exit_at, start_at + lower as lower_at,
    1e-9 * greatest(1e0, abs(start_at + exit)) as nothing
  from life
  where fittable
),
met as (
  select
    l.*,
    s.duty_cycle, s.practised_miles, s.practice_source, s.raw_practised_miles, s.gaps_behind,
    s.from_at, s.from_day, s.from_miles, s.to_at, s.to_day, s.to_miles,
    s.from_at <= entry_at + nothing as is_first,
    s.to_at >= exit_at - nothing or coalesce(s.to_at > lower_at + nothing, false) as is_last
  from placed l
  join span s
    on s.unit_no = l.unit_no
    and s.from_at < l.exit_at - l.nothing
    and s.to_at > l.entry_at + l.nothing
    and (l.lower is null or s.from_at <= l.lower_at + l.nothing)
),
aged as (
  select
    c.*,
    case when is_first then entry else greatest(from_at - start_at, entry) end as episode_entry,
    case when is_last then exit else least(to_at - start_at, exit) end as episode_exit,
    case when is_first then entry_day else greatest(from_day, entry_day) end as episode_entry_day,
    case when is_last then end_day else least(to_day, end_day) end as episode_exit_day,
    case when is_first then entry_miles
      when from_miles is not null then greatest(from_miles - start_meter_miles, entry_miles) end as episode_entry_miles,
    case when is_last then exit_miles
      when to_miles is not null then least(to_miles - start_meter_miles, exit_miles) end as episode_exit_miles
  from met c
)
select
  a.life_id, a.unit_no, a.duty_cycle,
  a.episode_entry as entry, a.episode_exit as exit, a.failed and a.is_last as failed,
  case when a.is_last then a.lower end as lower, case when a.is_last then a.upper end as upper,
  a.practised_miles, a.practice_source, a.raw_practised_miles, a.gaps_behind,
  a.episode_entry_day as entry_day, a.episode_exit_day as exit_day,
  a.episode_entry_miles as entry_miles, a.episode_exit_miles as exit_miles,
  r.cups_purged_before, r.grease_grade_before
from aged a
left join record_before r on r.unit_no = a.unit_no and r.day = a.episode_entry_day
where a.episode_exit > a.episode_entry

-- One row per staged row of THIS_TABLE that can be used but says all that a row before it says, or one in the store.
create or replace temp table repeats as
with everything as (
  select null::bigint as staged_row, null::integer as file_id, row_id as place, THESE_COLUMNS
  from THIS_TABLE semi join twice using (THIS_KEY)
  union all
  select s.staged_row, s.file_id, p.base + coalesce(s.line, line_of(s.staged_row, coalesce(p.shift, b.shift), b.steps)),
    THESE_COLUMNS
  from whole_THIS_TABLE s
  semi join twice using (THIS_KEY)
  join placed p on p.file_id = s.file_id and p.table_name = $table
  left join bulk_lines b on b.file_id = s.file_id and b.block = s.staged_row // 256
  where s.fault is null
),
numbered as (
  select staged_row, file_id, row_number() over (partition by THESE_COLUMNS order by place) as number
  from everything
)
select staged_row, file_id
from numbered
where number > 1 and staged_row is not null

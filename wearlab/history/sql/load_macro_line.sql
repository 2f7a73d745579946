-- The line of a staged row, from the shift and the steps of its block.
create or replace temp macro line_of(staged_row, shift, steps) as
  staged_row + shift + case when steps is null then 0 else len(list_filter(steps, lambda step: step <= staged_row)) end

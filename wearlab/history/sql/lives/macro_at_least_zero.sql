-- A number cut off at zero; null stays null (greatest would make it 0).
create or replace temp macro at_least_zero(x) as case when x < 0 then 0 else x end

-- True or false from text: true/false, yes/no, 1/0 in any case; null for anything else.
create or replace temp macro read_flag(x) as
  case when lower(x) in ('true', 'yes', '1') then true when lower(x) in ('false', 'no', '0') then false end

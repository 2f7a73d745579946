-- A text with its length in front, so that a row of texts written one after another can be read in one way only.
create or replace temp macro hash_part(x) as coalesce(concat(strlen(x), ':', x), '-')

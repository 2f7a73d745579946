-- The episodes, in the order of lives and ages.
select * from episode order by life_id, entry

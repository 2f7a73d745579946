-- A note for each other file of the table of which rows were already there: it is read again at the next load.
insert into facts
select concat('again ', file_id), 'yes'
from files
where table_name = $table and file_id <> $id and rows_already_loaded > 0
  and not exists (select 1 from facts where facts.name = concat('again ', files.file_id))

-- What was noted of one file taken out.
delete from facts
where name in (concat('cautions ', $id::integer), concat('again ', $id::integer))
  or name in (select concat('kept ', table_name, ' ', files.name) from files where file_id = $id)

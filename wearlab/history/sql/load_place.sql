-- How the rows of one file are numbered when they are moved into the store.
insert into placed values ($table, $file_id, $shift, $base)

-- The log of replaced rows of one table taken out.
delete from changes where table_name = $table

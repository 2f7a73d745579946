-- The number of rows of one file of THIS_TABLE whose column $column could be read, those left to be read again apart.
select count(columns(lambda name: name = $column)) from staged_THIS_TABLE where file_id = $file_id and fault is distinct from -1

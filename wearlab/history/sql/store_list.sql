-- The names of the tables of a database.
select table_name from duckdb_tables() where not temporary order by table_name

-- The names of the temporary tables of this connection.
select table_name from duckdb_tables() where temporary order by table_name

-- The names of the temporary views of this connection.
select view_name from duckdb_views() where temporary and not internal order by view_name

"""Files to lives: the only door to DuckDB."""

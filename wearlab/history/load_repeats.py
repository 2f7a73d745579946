"""Rows that were there before: exact repeats, and rows that a later one with the same key has replaced."""

from wearlab.history.contract import Table
from wearlab.history.store import Store, quote_name, read_table_sql


def find_repeats(store: Store, table: Table) -> None:
    """Make the temporary table ``repeats``: the usable staged rows that repeat one before them, or one in the store.

    Two rows are the same when all that they say is the same. Only rows whose key stands more than once are compared,
    so that a load of new rows costs next to nothing here.
    """
    store.execute(write_for(table, "load_table_usable"))
    store.execute(write_for(table, "load_table_twice"))
    store.execute(write_for(table, "load_table_repeats"), {"table": table.name})


def log_changes(store: Store, table: Table) -> None:
    """Bring the log of replaced rows up to date for the keys that the load of a table has touched."""
    if table.key:
        for name in ("load_table_forget_changes", "load_table_changes"):
            store.execute(write_for(table, name), {"table": table.name})


def log_all_changes(store: Store, table: Table) -> None:
    """Make the log of replaced rows of a table afresh, after rows of it have been taken out."""
    if table.key:
        store.execute(write_for(table, "load_table_twice_stored"))
        store.run("load_clear_changes", {"table": table.name})
        store.execute(write_for(table, "load_table_changes"), {"table": table.name})


def write_for(table: Table, name: str) -> str:
    """Return a statement for one table: its key, its columns and which of two rows counts filled in."""
    required = tuple(column.name for column in table.columns if column.required)
    key = ", ".join(map(quote_name, table.key or required))
    columns = ", ".join(map(quote_name, (*table.names, "attributes")))
    order = "updated_at desc nulls last, row_id desc" if table.column("updated_at") else "row_id desc"
    text = read_table_sql(name, table)
    return text.replace("THIS_KEY", key).replace("THESE_COLUMNS", columns).replace("THIS_ORDER", order)

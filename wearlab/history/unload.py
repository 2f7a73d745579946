"""One file's rows taken out of the store again."""

from difflib import get_close_matches
from pathlib import Path

from wearlab.evidence import DataError
from wearlab.history.contract import Table, find_table
from wearlab.history.load_repeats import log_all_changes
from wearlab.history.store import Store, begin_change, create_tables, read_table_sql, touch_units


def unload_file(store: Store, name: str) -> int:
    """Take the rows of one file, in all its versions, out of the store again, and return how many there were.

    Rows that other files repeat come back at the next load, which reads those files again. Refuses (DataError) a name
    that was never loaded.
    """
    create_tables(store)
    rows = store.rows("select file_id, table_name, name from files order by file_id")
    mine = [(int(file_id), str(table)) for file_id, table, loaded in rows if loaded == name]
    if not mine:
        near = get_close_matches(name, sorted({str(loaded) for _, _, loaded in rows}), n=1, cutoff=0.3)
        fix = f"did you mean {near[0]}?" if near else "wearlab load lists the files"
        raise DataError("not-loaded", f"no file of the name {name!r} was loaded", fix, Path(store.path).name)
    with store.transaction():
        begin_change(store)
        count = sum(_unload_version(store, file_id, find_table(table)) for file_id, table in mine)
        for table in sorted({table for _, table in mine}):
            log_all_changes(store, find_table(table))
    return count


def _unload_version(store: Store, file_id: int, table: Table) -> int:
    count = store.number(read_table_sql("load_table_of_file", table), {"id": file_id})
    touch_units(store, table, 0, file_id=file_id)
    store.execute(read_table_sql("store_unload_rows", table), {"id": file_id})
    store.run("store_unload_aside", {"id": file_id})
    store.run("store_read_again", {"table": table.name, "id": file_id})
    store.run("store_unload_facts", {"id": file_id})
    store.run("store_unload_file", {"id": file_id})
    return count

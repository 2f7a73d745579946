"""The store: one DuckDB database, opened safely; one SQL file run at a time; frames out."""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from difflib import get_close_matches
from importlib.resources import files
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from wearlab.evidence import DataError
from wearlab.history.contract import Table, find_table

IN_MEMORY = ":memory:"
FORMAT = "2"  # of the tables of the store: raised whenever they change
STORE_TABLES = (
    "units",
    "positions",
    "services",
    "readings",
    "duty_changes",
    "lube_plan",
    "measurements",
    "files",
    "set_aside",
    "changes",
    "touched",
    "facts",
)
_STORE_FAILURES = (
    duckdb.IOException,
    duckdb.OutOfMemoryException,
    duckdb.FatalException,
    duckdb.InternalException,
    duckdb.SerializationException,
)
_DAMAGED = "Corrupt database file"


@dataclass(frozen=True, slots=True)
class Store:
    """An open store; ``path`` is ``:memory:`` where nothing is kept."""

    path: str
    connection: duckdb.DuckDBPyConnection

    def execute(
        self, statement: str, parameters: Mapping[str, Any] | None = None, *, batch: pa.Table | None = None
    ) -> duckdb.DuckDBPyConnection:
        """Run one statement with values bound by ``$name``; ``batch`` is readable in it under that name.

        Refuses (DataError) to go on where the disk or the memory does not suffice.
        """
        try:
            if batch is not None:
                self.connection.register("batch", batch)
            with self._named(statement):
                return self.connection.execute(statement, dict(parameters or {}))
        finally:
            if batch is not None:
                self.connection.unregister("batch")

    @contextmanager
    def _named(self, statement: str) -> Iterator[None]:
        """Turn what the database says of its disk, memory and pages into a refusal, and any other error into a bug."""
        try:
            yield
        except _STORE_FAILURES as error:
            raise _cannot_use(self.path, str(error)) from error
        except duckdb.Error as error:
            if str(error).startswith(_DAMAGED):
                raise _damaged(self.path, str(error)) from error
            raise RuntimeError(f"a statement failed: {error}\n{statement}") from error

    def run(self, name: str, parameters: Mapping[str, Any] | None = None) -> None:
        """Run ``sql/<name>.sql``: one statement with values bound by ``$name``."""
        self.execute(read_sql(name), parameters)

    def rows(self, statement: str, parameters: Mapping[str, Any] | None = None) -> list[tuple[Any, ...]]:
        """Return the rows of one query as tuples."""
        found = self.execute(statement, parameters)
        with self._named(statement):
            return found.fetchall()

    def row(self, statement: str, parameters: Mapping[str, Any] | None = None) -> tuple[Any, ...]:
        """Return the first row of one query."""
        return self.rows(statement, parameters)[0]

    def number(self, statement: str, parameters: Mapping[str, Any] | None = None) -> int:
        """Return the one whole number that a query gives."""
        return int(self.row(statement, parameters)[0])

    def count(self, table: str) -> int:
        """Return the number of rows of one table."""
        return self.number("select count(*) from query_table($table)", {"table": table})

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Keep all changes made inside, or none of them if anything fails."""
        self.connection.begin()
        try:
            yield
        except BaseException:
            with suppress(duckdb.Error):  # where the database itself gave up there is nothing to roll back
                self.connection.rollback()
            raise
        try:
            self.connection.commit()
        except duckdb.Error as error:
            raise _cannot_use(self.path, str(error)) from error

    def frame(self, name: str, parameters: Mapping[str, Any] | None = None) -> pd.DataFrame:
        """Run ``sql/<name>.sql``, a query, and return its rows."""
        return self._frame(read_sql(name), parameters)

    def table(self, name: str) -> pd.DataFrame:
        """Return all rows of one table, in its stored order."""
        return self._frame("select * from query_table($name)", {"name": name})

    def arrow(self, statement: str, parameters: Mapping[str, Any] | None = None) -> pa.Table:
        """Return the rows of one query as an Arrow table."""
        with self._named(statement):
            return self.connection.sql(statement, params=dict(parameters or {})).to_arrow_table()

    def _frame(self, statement: str, parameters: Mapping[str, Any] | None) -> pd.DataFrame:
        found = self.execute(statement, parameters)
        with self._named(statement):
            return found.df()


def read_sql(name: str) -> str:
    """Return the statement of ``sql/<name>.sql``."""
    return (files("wearlab.history") / "sql" / f"{name}.sql").read_text(encoding="utf-8")


def read_table_sql(name: str, table: Table) -> str:
    """Return the statement of ``sql/<name>.sql`` for one table of the contract."""
    return read_sql(name).replace("THIS_TABLE", table.name)


def quote_name(name: str) -> str:
    """Return an identifier quoted for SQL: the only way in which a name from data may enter a statement."""
    return '"' + name.replace('"', '""') + '"'


def create_tables(store: Store) -> None:
    """Create the tables of the store (``sql/store_<table>.sql``) where they are not there yet."""
    for name in STORE_TABLES:
        store.run(f"store_{name}")
    store.run("store_format", {"format": FORMAT})


def begin_change(store: Store) -> None:
    """Give the change of rows that follows a number, greater than that of any before it."""
    number = 1 + store.number(read_sql("store_change_last"))
    store.execute("delete from facts where name = 'change'")
    store.run("store_change", {"number": str(number)})


def touch_units(store: Store, table: Table, first: int, *, file_id: int | None = None) -> None:
    """Note that this change touches the trucks of a table's rows: those from row ``first`` on, or those of a file.

    Of a table whose rows may speak of a whole class all trucks are touched.
    """
    column = table.column("unit_id")
    whole = column is None or not column.required
    values = {"first": first, "file_id": file_id}
    store.execute(read_table_sql("store_touch_all" if whole else "store_touch", table), values)


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
        return sum(_unload_version(store, file_id, find_table(table)) for file_id, table in mine)


def _unload_version(store: Store, file_id: int, table: Table) -> int:
    count = store.number(read_table_sql("load_table_of_file", table), {"id": file_id})
    touch_units(store, table, 0, file_id=file_id)
    store.execute(read_table_sql("store_unload_rows", table), {"id": file_id})
    store.run("store_unload_aside", {"id": file_id})
    store.run("store_read_again", {"table": table.name, "id": file_id})
    store.run("store_unload_facts", {"id": file_id})
    store.run("store_unload_file", {"id": file_id})
    return count


@contextmanager
def open_store(
    path: str,
    *,
    inputs: Iterable[Path] | None = None,
    read_only: bool = False,
    memory_limit: str = "2GB",
    spill_folder: str | None = None,
) -> Iterator[Store]:
    """Open the store at ``path`` (or ``:memory:``), for reading and writing unless ``read_only``; close it afterwards.

    With ``inputs`` the database reads those files and the store, and nothing else on the machine or beyond it, and no
    statement can change that; None sets no bounds. One process at a time holds a store. Refuses (DataError) a store
    that another process holds, that another version wrote, that is damaged, that is no store of this program, or
    whose folder cannot be written.
    """
    settings: dict[str, Any] = {
        "python_enable_replacements": False,
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
        "memory_limit": memory_limit,
        "preserve_insertion_order": True,
    }
    if spill_folder is not None:
        settings["temp_directory"] = spill_folder
    if path != IN_MEMORY and Path(path).exists() and not Path(path).is_file():
        raise _unreadable(path, "it is not a plain file")
    try:
        connection = duckdb.connect(path, config=settings, read_only=read_only)
    except duckdb.Error as error:
        raise _cannot_open(path, str(error)) from error
    except UnicodeEncodeError:
        raise _unreadable(path, "its name is not UTF-8 text") from None
    try:
        store = Store(path, connection)
        if inputs is not None:
            _shut_doors(store, inputs)
        _check_format(store)
        yield store
    finally:
        connection.close()


def _shut_doors(store: Store, inputs: Iterable[Path]) -> None:
    """Bound what the database can reach to the given files and its own, for as long as it is open."""
    names = [str(file.absolute()) for file in inputs]
    allowed = [name for name in names if name.isprintable()]  # any other is read by record, never by the database
    store.execute("set allowed_paths = $allowed", {"allowed": allowed})
    store.execute("set enable_external_access = false")
    store.execute("set lock_configuration = true")


def _check_format(store: Store) -> None:
    """Refuse (DataError) a database that is not a store, or one that a newer version wrote; an empty one is new."""
    there = {str(name) for (name,) in store.rows(read_sql("store_list"))}
    if not there:
        return
    if not there.issuperset(STORE_TABLES):
        raise _unreadable(store.path, "it is a database of something else")
    found = [str(value) for (value,) in store.rows("select value from facts where name = 'format'")]
    if found != [FORMAT]:
        raise DataError(
            "store-version",
            f"the store was written by another version (format {', '.join(found) or 'unknown'}, wanted {FORMAT})",
            "use that version, or delete the store: it is made afresh from the fleet folder",
            Path(store.path).name,
        )


def _cannot_use(path: str, message: str) -> DataError:
    return DataError(
        "store-failed",
        f"the store cannot be read or written, and is as it was before ({message.splitlines()[0]})",
        "free some disk space or memory and run again; a damaged store may be deleted and is made afresh",
        Path(path).name,
    )


def _damaged(path: str, message: str) -> DataError:
    return DataError(
        "store-damaged",
        f"a page of the store is damaged ({message.splitlines()[0][:120]})",
        "look at the disk; delete the store: it is made afresh from the fleet folder",
        Path(path).name,
    )


def _cannot_open(path: str, message: str) -> DataError:
    if "Conflicting lock" in message or "different configuration" in message:
        return DataError(
            "store-locked",
            "the store is in use by another run",
            "wait for it to end, or give --store another path",
            Path(path).name,
        )
    if "version number" in message:
        return DataError(
            "store-version",
            "the store was written by another version of the database",
            "use that version, or delete the store: it is made afresh from the fleet folder",
            Path(path).name,
        )
    if message.startswith(_DAMAGED) or "Could not read enough bytes" in message:
        return _damaged(path, message)
    return _unreadable(path, message.splitlines()[0])


def _unreadable(path: str, why: str) -> DataError:
    return DataError(
        "store-unreadable",
        f"the store cannot be opened: {why}",
        "give --store a path that can be written, or --store :memory: to keep nothing",
        Path(path).name,
    )

"""The store: one DuckDB database, opened safely; one SQL file run at a time; frames out."""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from tempfile import gettempdir
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa

from wearlab.evidence import DataError, readable_name
from wearlab.history.contract import Table
from wearlab.history.spill import USUAL_ROOM, Room, share_memory, spill_folder

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

    def batches(
        self, statement: str, parameters: Mapping[str, Any] | None = None, *, rows: int
    ) -> Iterator[pa.RecordBatch]:
        """Yield the rows of one query as Arrow batches of about so many rows; at least one, be it empty."""
        with self._named(statement):
            found = self.connection.sql(statement, params=dict(parameters or {})).to_arrow_reader(rows)
            yield pa.RecordBatch.from_pylist([], schema=found.schema)
            yield from found

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


@contextmanager
def open_store(
    path: str,
    *,
    inputs: Iterable[Path] | None = None,
    read_only: bool = False,
    room: Room = USUAL_ROOM,
) -> Iterator[Store]:
    """Open the store at ``path`` (or ``:memory:``), for reading and writing unless ``read_only``; close it afterwards.

    With ``inputs`` the database reads those files and the store, and nothing else on the machine or beyond it, and no
    statement can change that; None sets no bounds. One process at a time holds a store. Refuses (DataError) a store
    that another process holds, that another version wrote, that is damaged, that is no store of this program, or
    whose folder cannot be written.
    """
    if path != IN_MEMORY and Path(path).exists() and not Path(path).is_file():
        raise _unreadable(path, "it is not a plain file")
    if readable_name(path) != path:
        raise _unreadable(path, "the name of it or its folder is not UTF-8 text")
    beside = Path(gettempdir()) if path == IN_MEMORY else Path(path).absolute().parent
    if not beside.is_dir():
        raise _unreadable(path, "its folder is not there")
    with spill_folder(room.spill or beside) as spill:
        connection = _connect(path, read_only=read_only, memory=share_memory(room.memory), spill=spill)
        try:
            store = Store(path, connection)
            if inputs is not None:
                _shut_doors(store, inputs)
            _check_format(store)
            yield store
        finally:
            connection.close()


def _connect(path: str, *, read_only: bool, memory: str, spill: str) -> duckdb.DuckDBPyConnection:
    settings: dict[str, Any] = {
        "python_enable_replacements": False,
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
        "memory_limit": memory,
        "temp_directory": spill,
        "preserve_insertion_order": True,
    }
    try:
        return duckdb.connect(path, config=settings, read_only=read_only)
    except duckdb.Error as error:
        raise _cannot_open(path, str(error)) from error


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
    if "facts" not in there:
        raise _unreadable(store.path, "it is a database of something else")
    found = [str(value) for (value,) in store.rows("select value from facts where name = 'format'")]
    if found == [FORMAT] and not there.issuperset(STORE_TABLES):
        raise _unreadable(store.path, "tables of it are missing")
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

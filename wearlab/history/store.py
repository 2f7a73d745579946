"""The store: one DuckDB database, opened safely; one SQL file run at a time; frames out."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from wearlab.evidence import DataError

IN_MEMORY = ":memory:"
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
    "facts",
)


@dataclass(frozen=True, slots=True)
class Store:
    """An open store; ``path`` is ``:memory:`` where nothing is kept."""

    path: str
    connection: duckdb.DuckDBPyConnection

    def run(self, name: str, parameters: Mapping[str, Any] | None = None) -> None:
        """Run ``sql/<name>.sql``: one statement with values bound by ``$name``."""
        statement = (files("wearlab.history") / "sql" / f"{name}.sql").read_text(encoding="utf-8")
        try:
            self.connection.execute(statement, dict(parameters or {}))
        except duckdb.Error as error:
            raise RuntimeError(f"sql/{name}.sql failed: {error}\n{statement}") from error

    def frame(self, name: str, parameters: Mapping[str, Any] | None = None) -> pd.DataFrame:
        """Run ``sql/<name>.sql``, a query, and return its rows."""
        self.run(name, parameters)
        return self.connection.df()

    def table(self, name: str) -> pd.DataFrame:
        """Return all rows of one table, in its stored order."""
        return self.connection.execute("select * from query_table($name)", {"name": name}).df()


def quote_name(name: str) -> str:
    """Return an identifier quoted for SQL: the only way in which a name from data may enter a statement."""
    return '"' + name.replace('"', '""') + '"'


def create_tables(store: Store) -> None:
    """Create the tables of the store (``sql/store_<table>.sql``) where they are not there yet."""
    for name in STORE_TABLES:
        store.run(f"store_{name}")


@contextmanager
def open_store(path: str, *, memory_limit: str = "2GB", spill_folder: str | None = None) -> Iterator[Store]:
    """Open the store at ``path`` (or ``:memory:``) for reading and writing, and close it afterwards.

    Refuses (DataError) a store that another process holds, that was written by another version, that is not a
    store, or whose folder cannot be written.
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
    try:
        connection = duckdb.connect(path, config=settings)
    except duckdb.Error as error:
        raise _cannot_open(path, str(error)) from error
    try:
        yield Store(path, connection)
    finally:
        connection.close()


def _cannot_open(path: str, message: str) -> DataError:
    name = Path(path).name
    if "Conflicting lock" in message:
        return DataError(
            "store-locked",
            "the store is in use by another run",
            "wait for it to end, or give --store another path",
            name,
        )
    return DataError(
        "store-unreadable",
        f"the store cannot be opened ({message.splitlines()[0]})",
        "give --store a path that can be written, or --store :memory: to keep nothing",
        name,
    )

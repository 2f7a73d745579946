"""Whether a store is sound: every page readable, every row accounted for, every value within the contract."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from wearlab.evidence import Basis, Caution, DataError
from wearlab.history.contract import TABLES, Column, Kind, Table
from wearlab.history.load_repeats import write_for
from wearlab.history.store import STORE_TABLES, Store, open_store, quote_name, read_sql, read_table_sql

_KEPT = ("attributes", "row_id", "file_id", "line")  # beside the contract's columns in every table
_UNSOUND = {"store-failed", "store-damaged"}
_NOT_FOUND = DataError(
    "no-store", "there is no store here", "give the path of a store, or of the fleet folder it is in"
)


@dataclass(frozen=True, slots=True)
class StoreChecked:
    """What was looked at in a store, and what is not as it must be; sound where ``findings`` has no row.

    ``checked``: ``table``, ``rows``. ``findings``: ``table``, ``file``, ``check`` (``unreadable``, ``ledger``,
    ``columns``, ``row-numbers``, ``repeated-rows``, ``values``), ``wanted``, ``found``, ``text``.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    checked: pd.DataFrame
    findings: pd.DataFrame

    @property
    def sound(self) -> bool:
        """Return whether nothing was found."""
        return self.findings.empty

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return what was looked at and what was found."""
        return {"checked": self.checked, "findings": self.findings}


@dataclass(frozen=True, slots=True)
class _Finding:
    table: str
    file: str | None
    check: str
    wanted: str | None
    found: str | None
    text: str


def check_store(path: Path) -> StoreChecked:
    """Return what is wrong with the store at ``path``, which is opened for reading only and left as it is.

    Every table is read to its last page; for each file, rows read = loaded + set aside + already loaded, and the rows
    in the store are as many as the ledger of files says; no row stands twice; every value is one that the loader would
    have let in. A store that is damaged so far that it does not open is not sound. Refuses (DataError) a path at which
    there is no store, a store in use, of another version, or a database of something else.
    """
    if not path.exists():
        raise DataError(_NOT_FOUND.code, _NOT_FOUND.text, _NOT_FOUND.fix, path.name)
    rows: list[tuple[str, int]] = []
    findings: list[_Finding] = []
    try:
        with open_store(str(path), read_only=True, inputs=()) as store:
            _check_readable(store, rows, findings)
            if not findings and rows:
                findings += _check_ledger(store)
                for table in TABLES:
                    findings += _check_table(store, table)
    except DataError as error:
        if error.code not in _UNSOUND:
            raise
        findings.append(_Finding("", None, "unreadable", None, None, error.text))
    basis = Basis(path.name, (), None, "miles", 0.9, (), 0, 0)
    return StoreChecked(
        basis,
        (),
        pd.DataFrame.from_records(rows, columns=["table", "rows"]),
        pd.DataFrame.from_records(
            [(one.table, one.file, one.check, one.wanted, one.found, one.text) for one in findings],
            columns=["table", "file", "check", "wanted", "found", "text"],
        ),
    )


def _check_readable(store: Store, rows: list[tuple[str, int]], findings: list[_Finding]) -> None:
    """Read every table whole; an empty database is a store that nothing was loaded into yet."""
    if not store.rows(read_sql("store_list")):
        return
    for name in STORE_TABLES:
        try:
            count, _ = store.row(read_table_sql("check_read", Table(name, ())))
            rows.append((name, int(count)))
        except DataError as error:
            findings.append(_Finding(name, None, "unreadable", None, None, error.text))


def _check_ledger(store: Store) -> Iterator[_Finding]:
    for file_id, name, read, parts in store.rows(read_sql("check_files")):
        text = f"file {file_id}: rows read are not the sum of what became of them"
        yield _Finding("files", name, "ledger", str(read), str(parts), text)
    for file_id, name, wanted, found in store.rows(read_sql("check_set_aside")):
        text = f"file {file_id}: the rows set aside are not as many as its account says"
        yield _Finding("set_aside", name, "ledger", str(wanted), str(found), text)


def _check_table(store: Store, table: Table) -> Iterator[_Finding]:
    columns = [str(name) for name, *_ in store.rows(f"describe {quote_name(table.name)}")]
    if columns != [*table.names, *_KEPT]:
        text = "its columns are not those that this version writes"
        yield _Finding(table.name, None, "columns", ", ".join((*table.names, *_KEPT)), ", ".join(columns), text)
        return
    for file_id, name, wanted, found in store.rows(read_table_sql("check_table_ledger", table), {"table": table.name}):
        text = f"file {file_id}: its rows in the store are not as many as its account says"
        yield _Finding(table.name, name, "ledger", str(wanted), str(found), text)
    unnumbered, same_number, same_row = map(int, store.row(write_for(table, "check_table_rows")))
    if unnumbered or same_number:
        text = f"{unnumbered:,} rows without number, file or line; {same_number:,} with the number of another"
        yield _Finding(table.name, None, "row-numbers", "0", str(unnumbered + same_number), text)
    if same_row:
        yield _Finding(table.name, None, "repeated-rows", "0", str(same_row), f"{same_row:,} rows stand there twice")
    for column in table.columns:
        yield from _check_values(store, table, column)


def _check_values(store: Store, table: Table, column: Column) -> Iterator[_Finding]:
    wrong = _write_wrong(column)
    if not wrong:
        return
    statement = f"select count(*) from {quote_name(table.name)} where {' or '.join(wrong)}"  # noqa: S608 - of the contract
    count = store.number(statement)
    if count:
        text = f"{count:,} values of {column.name} are none that the loader lets in"
        yield _Finding(table.name, None, "values", "0", str(count), text)


def _write_wrong(column: Column) -> list[str]:
    """Return what an unsound value of a column is, as conditions in SQL; numbers and names are the contract's own."""
    name = quote_name(column.name)
    conditions = [f"{name} is null"] if column.required else []
    if column.choices:
        choices = ", ".join(f"'{choice}'" for choice in column.choices)
        conditions.append(f"{name} not in ({choices})")
    if column.kind in {Kind.NUMBER, Kind.DISTANCE}:
        conditions.append(f"not isfinite({name})")
    bounds = (("<", column.low), (">", column.high), ("<=", column.above))
    return conditions + [f"{name} {sign} {bound!r}" for sign, bound in bounds if bound is not None]

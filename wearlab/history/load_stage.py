"""Rows staged, judged, and moved into the store; nothing of the store changes before all of a load is judged."""

from dataclasses import dataclass, replace
from datetime import date

import pyarrow as pa

from wearlab.evidence import Caution, DataError
from wearlab.history.config import FleetConfig
from wearlab.history.contract import TABLES, Table, find_table
from wearlab.history.load_advice import check_dates
from wearlab.history.load_bulk import stage_bulk
from wearlab.history.load_files import Layout, lay_out, open_file
from wearlab.history.load_rows import DataFile, Malformed, Sheet
from wearlab.history.load_sql import Reading, bind_values, plan_reading, write_create, write_insert
from wearlab.history.store import Store, quote_name, read_sql, read_table_sql


@dataclass(frozen=True, slots=True)
class Known:
    """One file of the folder, with what the store knows of a file with these bytes."""

    file: DataFile
    sha256: str
    file_id: int
    rows_read: int  # 0 where it was never loaded
    done: bool  # loaded with nothing set aside, so that nothing in it can be new


@dataclass(frozen=True, slots=True)
class StagedFile:
    """One file whose rows are staged: ``rows_read`` is what its reader counted, apart from what the store counts."""

    known: Known
    rows_read: int
    shift: int | None  # line less staged row, 0 where each row has its line, None where it is not one for all rows
    unmatched: tuple[str, ...]  # names that fleet.toml maps to a column that the file does not have
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one file's rows in this load; ``rows_read`` is the sum of the other three."""

    file_id: int
    rows_read: int
    rows_loaded: int
    rows_set_aside: int
    rows_already_loaded: int


def prepare_staging(store: Store, names: set[str]) -> None:
    """Make the temporary tables and functions that a load of these tables works with, empty."""
    for name in ("number", "grouped", "day", "time", "serial", "flag", "part"):
        store.run(f"load_macro_{name}")
    store.run("load_aside_create")
    store.run("load_lines_create")
    for table in TABLES:
        if table.name in names | {"units", "positions"}:
            store.execute(write_create(table))


def drop_staging(store: Store) -> None:
    """Drop what a load worked with."""
    for (name,) in store.rows(read_sql("load_temporary")):
        store.execute(f"drop table temp.{quote_name(name)}")


def stage_file(known: Known, *, config: FleetConfig, today: date, store: Store) -> StagedFile:
    """Read one file into its staged table, every row typed and its first fault marked.

    Refuses (DataError) a file that cannot be read, that lacks a required column, or of which no date can be read.
    """
    file, file_id = known.file, known.file_id
    table = find_table(file.table)
    sheet = open_file(file, config)
    plain = file.path.suffix.lower() in {".parquet", ".xlsx"}
    reading = plan_reading(table, config, today, plain_numbers=plain)
    layout = lay_out(file, sheet, table, reading.mapping)
    bulk = stage_bulk(store, reading, layout, sheet, file_id)
    rows, malformed, shift = bulk or (*_stage_batches(store, reading, layout, sheet, file_id), 0)
    if sheet.rows_expected is not None and sheet.rows_expected != rows:
        raise count_gap(file.name, sheet.rows_expected, rows)
    _set_aside_malformed(store, table, file_id, malformed)
    faults = {int(fault) for (fault,) in store.rows(read_table_sql("load_table_kinds", table), {"file_id": file_id})}
    if faults:
        check_dates(store, reading, file, file_id, faults)
        _set_aside_faults(store, reading, file_id)
    return StagedFile(known, rows + len(malformed), shift, layout.unmatched, (*sheet.cautions, *layout.cautions))


def _stage_batches(
    store: Store, reading: Reading, layout: Layout, sheet: Sheet, file_id: int
) -> tuple[int, list[Malformed]]:
    statement = write_insert(reading, layout)
    values = bind_values(reading, layout, statement, file_id, replace(sheet, bulk=None))
    malformed: list[Malformed] = []
    rows = 0
    for batch in sheet.batches:
        rows += batch.rows.num_rows
        malformed += batch.malformed
        if batch.rows.num_rows:
            store.execute(statement, values, batch=batch.rows)
    return rows, malformed


def count_gap(name: str, expected: int, found: int) -> DataError:
    """Return the error for rows that are not accounted for: a fault of this program, never of the data."""
    return DataError(
        "count-gap",
        f"{found} of {expected} rows are accounted for, so nothing was loaded",
        "report this file: every row must be accounted for",
        name,
    )


def _set_aside_malformed(store: Store, table: Table, file_id: int, malformed: list[Malformed]) -> None:
    if not malformed:
        return
    count = len(malformed)
    rows = pa.table(
        {
            "table_name": pa.array([table.name] * count, pa.string()),
            "file_id": pa.array([file_id] * count, pa.int32()),
            "line": pa.array([one.line for one in malformed], pa.int64()),
            "column_name": pa.array([None] * count, pa.string()),
            "value": pa.array([one.text for one in malformed], pa.string()),
            "reason": pa.array([one.reason for one in malformed], pa.string()),
            "staged_row": pa.array([None] * count, pa.int64()),
        }
    )
    store.execute("insert into aside select * from batch", batch=rows)


def _set_aside_faults(store: Store, reading: Reading, file_id: int) -> None:
    store.execute(
        read_table_sql("load_table_faults", reading.table),
        {
            "table": reading.table.name,
            "columns": [fault.column for fault in reading.faults],
            "reasons": [fault.reason for fault in reading.faults],
            "file_id": file_id,
        },
    )


def judge_rows(store: Store, names: set[str]) -> None:
    """Set aside what contradicts other rows: judged when all files are staged, so that their order cannot matter."""
    store.run("load_judge_units")
    store.run("load_known_units")
    store.run("load_judge_positions")
    store.run("load_known_positions")
    for table in TABLES[2:]:
        if table.name in names:
            store.run(f"load_judge_{table.name}")
    store.run("load_aside_lines")


def move_rows(store: Store, table: Table, staged: tuple[StagedFile, ...]) -> tuple[Outcome, ...]:
    """Insert one table's new rows and return what became of the rows of each file, all of that table.

    Refuses (DataError) to go on if a row is not accounted for.
    """
    values = {"table": table.name}
    store.execute(read_table_sql("load_table_repeats", table), values)
    before = store.count(table.name)
    first = store.number(read_table_sql("load_table_next_row", table))
    for one in staged:
        step = values | {"first": first, "file_id": one.known.file_id}
        if one.shift is None:
            store.execute(read_table_sql("load_table_move_stepped", table), step)
        else:
            store.execute(read_table_sql("load_table_move", table), step | {"shift": one.shift})
    ids = [one.known.file_id for one in staged]
    counts = store.rows(read_table_sql("load_table_outcomes", table), values | {"file_ids": ids})
    outcomes = tuple(
        _settle(one, *row[1:])
        for one, row in zip(sorted(staged, key=lambda one: one.known.file_id), counts, strict=True)
    )
    grown = store.count(table.name) - before
    if grown != sum(outcome.rows_loaded for outcome in outcomes):
        raise count_gap(table.name, sum(outcome.rows_loaded for outcome in outcomes), grown)
    return outcomes


def _settle(one: StagedFile, rows: int, repeats: int, aside: int, malformed: int) -> Outcome:
    """Return what became of one file's rows. Refuses (DataError) to go on if they are not what its reader counted."""
    if rows + malformed != one.rows_read:
        raise count_gap(one.known.file.name, one.rows_read, rows + malformed)
    return Outcome(one.known.file_id, one.rows_read, one.rows_read - aside - repeats, aside, repeats)

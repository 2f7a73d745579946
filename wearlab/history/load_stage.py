"""Rows staged, judged, and moved into the store; nothing of the store changes before all of a load is judged."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from itertools import groupby

import pyarrow as pa

from wearlab.evidence import Caution
from wearlab.history.config import FleetConfig, TableMap
from wearlab.history.contract import TABLES, Table, find_table
from wearlab.history.load_advice import check_dates
from wearlab.history.load_bulk import Read, UnevenError, read_again, read_left, stage_bulk
from wearlab.history.load_files import Layout, lay_out, open_file
from wearlab.history.load_repeats import find_repeats, log_changes
from wearlab.history.load_rows import Batch, DataFile, Malformed, Sheet, count_gap
from wearlab.history.load_sql import Reading, bind_values, plan_reading, write_create, write_insert, write_whole
from wearlab.history.store import Store, quote_name, read_sql, read_table_sql, touch_units


@dataclass(frozen=True, slots=True)
class Known:
    """One file of the folder, with what the store knows of a file with these bytes."""

    file: DataFile
    sha256: str
    file_id: int
    rows_read: int  # 0 where it was never loaded
    done: bool  # loaded with nothing set aside, so that nothing in it can be new
    again: tuple[int, ...] = ()  # the lines set aside, where they alone are to be tried again


@dataclass(frozen=True, slots=True)
class StagedFile:
    """One file whose rows are staged: ``rows_staged`` is what its reader counted, apart from what the store counts.

    ``rows_before`` are rows of the file that were not read again, since they are in the store.
    """

    known: Known
    rows_staged: int
    rows_before: int
    shift: int | None  # line less staged row where a row does not tell its line; None where not the same for all rows
    last_line: int
    unmatched: tuple[str, ...]  # names that fleet.toml maps to a column that the file does not have
    cautions: tuple[Caution, ...]

    @property
    def rows_read(self) -> int:
        """All rows of the file."""
        return self.rows_staged + self.rows_before


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
    for name in ("number", "grouped", "day", "time", "serial", "flag", "line", "pseudonym"):
        store.run(f"load_macro_{name}")
    for name in ("aside", "lines", "placed"):
        store.run(f"load_{name}_create")
    for name in {"units", "positions"} - names:
        _create_staged(store, find_table(name), frozenset())


def _create_staged(store: Store, table: Table, present: frozenset[str]) -> None:
    store.execute(write_create(table, present))
    store.execute(write_whole(table, present))


def drop_staging(store: Store) -> None:
    """Drop what a load worked with."""
    for (name,) in store.rows(read_sql("load_temporary_views")):
        store.execute(f"drop view temp.{quote_name(name)}")
    for (name,) in store.rows(read_sql("load_temporary")):
        store.execute(f"drop table temp.{quote_name(name)}")


@dataclass(frozen=True, slots=True)
class _Opened:
    known: Known
    sheet: Sheet
    layout: Layout

    @property
    def plain_numbers(self) -> bool:
        """Whether the file keeps numbers as such, whatever marks the texts of its fleet use."""
        return self.known.file.path.suffix.lower() in {".parquet", ".xlsx"}

    @property
    def form(self) -> tuple[object, ...] | None:
        """What two files must share to be read at once, None where a file is read by itself."""
        bulk = self.sheet.bulk
        return None if bulk is None or self.known.again else (self.sheet.header, bulk.delimiter, bulk.quote, bulk.crlf)


def stage_files(
    table: Table,
    files: Iterable[Known],
    *,
    config: FleetConfig,
    today: date,
    key: bytes | None,
    store: Store,
    progress: Callable[[str], None],
) -> tuple[StagedFile, ...]:
    """Read the files of one table into its staged table, every row typed and its first fault marked.

    Files of one form are read at once. Refuses (DataError) a file that cannot be read, that lacks a required column, or
    of which no date can be read.
    """
    opened = []
    for known in files:
        progress(_say_reading(known))
        sheet, mapping = open_file(known.file, config), config.tables.get(table.name, TableMap())
        opened.append(_Opened(known, sheet, lay_out(known.file, sheet, table, mapping)))
    columns = {name for one in opened for name in one.layout.columns}
    plans = {
        plain: plan_reading(table, config, today, plain_numbers=plain, present=columns, key=key)
        for plain in (False, True)
    }
    _create_staged(store, table, plans[False].present)
    staged: list[StagedFile] = []
    for form, group in groupby(opened, key=lambda one: one.form):
        together = list(group)
        if form:
            staged += _stage_group(store, plans[False], together)
        else:
            staged += [_stage_alone(store, plans[one.plain_numbers], one) for one in together]
    return tuple(staged)


def _say_reading(known: Known) -> str:
    if known.again:
        rows = f"{len(known.again):,} {'row' if len(known.again) == 1 else 'rows'}"
        return f"trying again what was set aside of {known.file.name}: {rows}"
    return f"reading {known.file.name} into {known.file.table}"


def _stage_group(store: Store, reading: Reading, together: list[_Opened]) -> list[StagedFile]:
    """Read files of one form at once, else each by itself, else record by record."""
    files = [(one.known.file_id, one.sheet) for one in together]
    read = stage_bulk(store, reading, together[0].layout, files)
    if read is not None:
        return [_stage_rest(store, reading, one, found) for one, found in zip(together, read, strict=True)]
    if len(together) > 1:
        return [staged for one in together for staged in _stage_group(store, reading, [one])]
    return [_stage_one(store, reading, together[0])]


def _stage_rest(store: Store, reading: Reading, one: _Opened, read: Read) -> StagedFile:
    """Read carefully what the database left of a file."""
    batches = read_left(one.known.file.path, one.sheet, read.left)
    rows, _ = _stage_batches(store, reading, one, batches)
    if rows != len(read.left):
        raise count_gap(one.known.file.name, len(read.left), rows)
    last_line = read.rows + rows + len(read.malformed) + 1
    return _settle_file(store, reading, one, read.rows + rows, list(read.malformed), read.shift, last_line)


def _stage_alone(store: Store, reading: Reading, one: _Opened) -> StagedFile:
    """Read again what was set aside of a file, where that can be read by itself; else the whole file."""
    found = _stage_again(store, reading, one) if one.known.again and one.sheet.bulk else None
    return found or _stage_one(store, reading, one)


def _stage_again(store: Store, reading: Reading, one: _Opened) -> StagedFile | None:
    known = one.known
    try:
        with store.transaction():
            batches = read_again(known.file.path, one.sheet, known.again)
            rows, malformed = _stage_batches(store, reading, one, batches)
    except UnevenError:
        return None
    if rows + len(malformed) != len(known.again):
        raise count_gap(known.file.name, len(known.again), rows + len(malformed))
    before = known.rows_read - len(known.again)
    return _settle_file(store, reading, one, rows, malformed, 0, known.again[-1], before=before)


def _stage_one(store: Store, reading: Reading, one: _Opened) -> StagedFile:
    rows, malformed = _stage_batches(store, reading, one, one.sheet.batches)
    if one.sheet.rows_expected is not None and one.sheet.rows_expected != rows:
        raise count_gap(one.known.file.name, one.sheet.rows_expected, rows)
    last = store.number(read_table_sql("load_table_last_line", reading.table), {"file_id": one.known.file_id})
    return _settle_file(store, reading, one, rows, malformed, 0, last)


def _settle_file(
    store: Store,
    reading: Reading,
    one: _Opened,
    rows: int,
    malformed: list[Malformed],
    shift: int | None,
    last_line: int,
    *,
    before: int = 0,
) -> StagedFile:
    known, layout = one.known, one.layout
    _set_aside_malformed(store, reading, known.file_id, malformed)
    if before or _check_dates(store, reading, one):
        _set_aside_faults(store, reading, known.file_id)
    cautions = (*one.sheet.cautions, *layout.cautions)
    return StagedFile(known, rows + len(malformed), before, shift, last_line, layout.unmatched, cautions)


def _check_dates(store: Store, reading: Reading, one: _Opened) -> bool:
    """Return whether any staged row of a file has a fault; refuses a file none of whose dates can be read."""
    file_id = one.known.file_id
    faults = {
        int(fault) for (fault,) in store.rows(read_table_sql("load_table_kinds", reading.table), {"file_id": file_id})
    }
    if faults:
        check_dates(store, reading, one.known.file, file_id, faults)
    return bool(faults)


def _stage_batches(
    store: Store, reading: Reading, one: _Opened, batches: Iterator[Batch]
) -> tuple[int, list[Malformed]]:
    statement = write_insert(reading, one.layout)
    values = bind_values(reading, one.layout, statement, {"file_id": one.known.file_id})
    malformed: list[Malformed] = []
    rows = 0
    for batch in batches:
        rows += batch.rows.num_rows
        malformed += batch.malformed
        if batch.rows.num_rows:
            store.execute(statement, values, batch=batch.rows)
    return rows, malformed


def _set_aside_malformed(store: Store, reading: Reading, file_id: int, malformed: list[Malformed]) -> None:
    private = reading.privacy.pseudonyms or reading.privacy.leave_out  # the line may hold what is not to be kept
    if not malformed:
        return
    count = len(malformed)
    rows = pa.table(
        {
            "table_name": pa.array([reading.table.name] * count, pa.string()),
            "file_id": pa.array([file_id] * count, pa.int32()),
            "line": pa.array([one.line for one in malformed], pa.int64()),
            "column_name": pa.array([None] * count, pa.string()),
            "value": pa.array([None if private else one.text for one in malformed], pa.string()),
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
    before = store.count(table.name)
    base = first = store.number(read_table_sql("load_table_next_row", table))
    for one in staged:
        placed = {"file_id": one.known.file_id, "shift": one.shift, "base": base}
        store.run("load_place", values | placed)
        base += one.last_line + 1
    store.execute(read_table_sql("load_table_mark_aside", table), values)
    find_repeats(store, table)
    store.execute(read_table_sql("load_table_mark_repeats", table))
    if len(staged) == 1 and staged[0].shift is not None:
        store.execute(read_table_sql("load_table_move_one", table), placed)
    else:
        store.execute(read_table_sql("load_table_move", table), values)
    if any(one.shift is None for one in staged):
        store.execute(read_table_sql("load_table_move_stepped", table), values)
    ids = [one.known.file_id for one in staged]
    counts = store.rows(read_table_sql("load_table_outcomes", table), values | {"file_ids": ids})
    outcomes = tuple(
        _settle(one, *row[1:])
        for one, row in zip(sorted(staged, key=lambda one: one.known.file_id), counts, strict=True)
    )
    grown = store.count(table.name) - before
    if grown != sum(outcome.rows_loaded for outcome in outcomes):
        raise count_gap(table.name, sum(outcome.rows_loaded for outcome in outcomes), grown)
    log_changes(store, table)
    touch_units(store, table, first)
    return outcomes


def _settle(one: StagedFile, rows: int, repeats: int, aside: int, malformed: int) -> Outcome:
    """Return what became of one file's rows. Refuses (DataError) to go on if they are not what its reader counted."""
    if rows + malformed != one.rows_staged:
        raise count_gap(one.known.file.name, one.rows_staged, rows + malformed)
    loaded = one.rows_staged - aside - repeats
    return Outcome(one.known.file_id, one.rows_read, loaded, aside, repeats + one.rows_before)

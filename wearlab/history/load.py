"""A fleet folder loaded into the store: every row loaded, set aside with its reason, or already there."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import astuple, dataclass
from datetime import date
from itertools import islice
from pathlib import Path

import pandas as pd

from wearlab.evidence import Basis, Caution, DataError, SourceFile, readable_name
from wearlab.history.config import FleetConfig
from wearlab.history.config_reader import read_config
from wearlab.history.config_section import CONFIG_NAME
from wearlab.history.contract import TABLES
from wearlab.history.load_files import check_mapping, find_files
from wearlab.history.load_record import (
    check_all_there,
    clear_rows,
    gather_cautions,
    needs_rebuild,
    recognise_files,
    record_load,
)
from wearlab.history.load_review import review_changes, review_rules, review_unmatched
from wearlab.history.load_stage import (
    Known,
    Outcome,
    StagedFile,
    drop_staging,
    judge_rows,
    move_rows,
    prepare_staging,
    stage_files,
)
from wearlab.history.privacy import read_key
from wearlab.history.store import Store, begin_change, create_tables, read_sql

Progress = Callable[[str], None]

_SHOWN = 10  # rows set aside that a refusal lists
_LEVEL = 0.90  # of the intervals of the command line; loading itself makes none


@dataclass(frozen=True, slots=True)
class Loaded:
    """What one load did. ``basis.files`` is the standing account of each file, ``accounts`` that of this load.

    ``accounts``: ``table``, ``rows_read``, ``rows_loaded``, ``rows_set_aside``, ``rows_already_loaded``, one row per
    table that has a file. ``set_aside``: ``table``, ``file``, ``line``, ``column``, ``reason``, ``value``. ``rules``:
    ``table``, ``column``, ``text``, ``means``, ``rows`` told by each keyword rule. ``unmatched``: ``table``,
    ``column``, ``text``, ``rows`` that no rule fits. ``changes``: ``table``, ``key``, ``file``, ``line``,
    ``replaced_by_file``, ``replaced_by_line``.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    config: FleetConfig
    accounts: pd.DataFrame
    set_aside: pd.DataFrame
    rules: pd.DataFrame
    unmatched: pd.DataFrame
    changes: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the account of this load, the rows it set aside, and where there are any, rules and changes."""
        review = {"rules": self.rules, "unmatched": self.unmatched, "changes": self.changes}
        return {
            "tables": self.accounts,
            "set_aside": self.set_aside,
            **{name: frame for name, frame in review.items() if len(frame)},
        }


@dataclass(frozen=True, slots=True)
class _Aside:
    """One row set aside; ``column`` and ``value`` are None where the row as a whole is at fault."""

    table: str
    file: str
    line: int
    column: str | None
    reason: str
    value: str | None


def load_folder(folder: Path, store: Store, *, today: date, progress: Progress, strict: bool = False) -> Loaded:
    """Return what loading the files of a fleet folder did: new rows in the store, and an account of every row.

    ``today`` bounds the dates where fleet.toml sets no ``as_of``. Nothing in the store changes unless the whole load
    succeeds. Rows that were set aside before are tried again. Where the mapping in fleet.toml has changed, all rows
    are read afresh from the folder. Refuses (DataError) a folder, fleet.toml or file that cannot be used, a load that
    sets aside more than ``max_set_aside_share`` of a table's rows, and with ``strict`` any row set aside.
    """
    config = read_config(folder)
    key = read_key(folder, config.privacy)
    found, unread = find_files(folder, config)
    create_tables(store)
    rebuild = needs_rebuild(store, config, today, key)
    known = recognise_files(store, found, rebuild=rebuild)
    if rebuild:
        check_all_there(store, found)
        progress(f"the mapping in {CONFIG_NAME} has changed: all rows are read afresh from the folder")
    names = {one.file.table for one in known if not one.done}
    prepare_staging(store, names)
    try:
        staged = _stage_all(known, config, today, key, store, progress)
        with store.transaction():
            begin_change(store)
            if rebuild:
                clear_rows(store)
            judge_rows(store, names)
            outcomes = _move_all(store, staged)
            accounts, set_aside = _account(known, outcomes), _list_set_aside(store, known)
            _check_shares(accounts, set_aside, config, strict=strict)
            record_load(store, known, staged, outcomes, config=config, today=today, key=key)
            cautions = gather_cautions(store, config, known, unread)
            basis = _basis(store, folder, config, known)
            rules, unmatched = review_rules(store, config), review_unmatched(store, config)
            changes = review_changes(store)
    finally:
        drop_staging(store)
    progress(_sum_up(accounts))
    return Loaded(
        basis,
        cautions,
        config,
        _frame(
            ((table, *counts) for table, counts in accounts.items()),
            "table rows_read rows_loaded rows_set_aside rows_already_loaded",
        ),
        _frame(map(astuple, set_aside), "table file line column reason value"),
        rules,
        unmatched,
        changes,
    )


def _stage_all(
    known: tuple[Known, ...], config: FleetConfig, today: date, key: bytes | None, store: Store, progress: Progress
) -> tuple[StagedFile, ...]:
    staged: list[StagedFile] = []
    for table in TABLES:
        new = [one for one in known if one.file.table == table.name and not one.done]
        if new:
            staged += stage_files(table, new, config=config, today=today, key=key, store=store, progress=progress)
    for name, mapping in config.tables.items():
        check_mapping(
            name, mapping, [(one.known.file, one.unmatched) for one in staged if one.known.file.table == name]
        )
    return tuple(staged)


def _move_all(store: Store, staged: tuple[StagedFile, ...]) -> dict[int, Outcome]:
    outcomes: dict[int, Outcome] = {}
    for table in TABLES:
        mine = tuple(one for one in staged if one.known.file.table == table.name)
        if mine:
            outcomes |= {outcome.file_id: outcome for outcome in move_rows(store, table, mine)}
    return outcomes


def _account(known: tuple[Known, ...], outcomes: Mapping[int, Outcome]) -> dict[str, tuple[int, int, int, int]]:
    """Return, by table, rows read, loaded, set aside and already loaded; all rows of a file done before are there."""
    sums = {}
    for table in TABLES:
        mine = [one for one in known if one.file.table == table.name]
        done = (Outcome(one.file_id, one.rows_read, 0, 0, one.rows_read) for one in mine if one.done)
        found = [*done, *(outcomes[one.file_id] for one in mine if not one.done)]
        if found:
            sums[table.name] = (
                sum(one.rows_read for one in found),
                sum(one.rows_loaded for one in found),
                sum(one.rows_set_aside for one in found),
                sum(one.rows_already_loaded for one in found),
            )
    return sums


def _list_set_aside(store: Store, known: tuple[Known, ...]) -> tuple[_Aside, ...]:
    names = {one.file_id: one.file.name for one in known}
    order = {table.name: number for number, table in enumerate(TABLES)}
    rows = (
        _Aside(table, names[file_id], line, column, reason, value)
        for table, file_id, line, column, reason, value in store.rows(read_sql("load_aside"))
    )
    return tuple(sorted(rows, key=lambda row: (order[row.table], row.file, row.line)))


def _check_shares(
    accounts: Mapping[str, tuple[int, int, int, int]],
    set_aside: tuple[_Aside, ...],
    config: FleetConfig,
    *,
    strict: bool,
) -> None:
    """Refuse (DataError) a load that sets too much of a table aside."""
    limit = 0.0 if strict else config.max_set_aside_share
    for table, (read, _, aside, _) in accounts.items():
        if read and aside / read > limit:
            mine = [row for row in set_aside if row.table == table]
            words = "--strict allows none" if strict else f"more than max_set_aside_share = {limit:g}"
            text = f"{aside:,} of {read:,} rows of {table} would be set aside ({words}), so nothing was loaded"
            raise _too_many(text, mine, strict=strict)


def _too_many(text: str, mine: list[_Aside], *, strict: bool) -> DataError:
    kinds = Counter((row.column, row.reason) for row in mine)
    (column, reason), hits = kinds.most_common(1)[0]
    first = next(row for row in mine if (row.column, row.reason) == (column, reason))
    where = f" in column {column}" if column else ""
    value = f" (first: {first.value!r})" if first.value is not None else ""
    lines = (f"{row.file}, line {row.line}, {row.column or 'the row'}: {row.reason}: {row.value!r}" for row in mine)
    return DataError(
        "too-many-set-aside",
        f"{text}; the commonest reason, {hits:,} times{where}: {reason}{value}",
        f"mend these rows, or map them in {CONFIG_NAME} under [tables.{first.table}]"
        + ("" if strict else ", or raise max_set_aside_share"),
        first.file,
        first.line,
        column,
        tuple(islice(lines, _SHOWN)),
    )


def _basis(store: Store, folder: Path, config: FleetConfig, known: tuple[Known, ...]) -> Basis:
    """Return the standing account: every file of the folder, and every other that still has rows in the store."""
    here = {one.file_id for one in known}
    files = tuple(
        SourceFile(name, sha256, table, *counts)
        for file_id, table, name, sha256, *counts in store.rows(read_sql("load_accounts"))
        if file_id in here or counts[1]
    )
    order = {table.name: number for number, table in enumerate(TABLES)}
    files = tuple(sorted(files, key=lambda file: (order[file.table], file.name, file.sha256)))
    return Basis(readable_name(folder.resolve().name), files, config.as_of, config.scale, _LEVEL, (), 0, 0)


def _sum_up(accounts: Mapping[str, tuple[int, int, int, int]]) -> str:
    read, loaded, aside, already = (sum(counts) for counts in zip(*accounts.values(), strict=True))
    return f"{read:,} rows read = {loaded:,} loaded + {aside:,} set aside + {already:,} already loaded"


def _frame(rows: Iterable[Sequence[object]], columns: str) -> pd.DataFrame:
    return pd.DataFrame.from_records([tuple(row) for row in rows], columns=columns.split())

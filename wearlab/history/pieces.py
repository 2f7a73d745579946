"""Lives and episodes built on this machine, one piece of the fleet after another, so that memory stays flat."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from wearlab.history.steps import (
    MACROS,
    WHOLE,
    Judgement,
    Values,
    bound,
    build_lives,
    build_practice,
    read_step,
    weigh_practice,
)
from wearlab.history.store import Store

PIECE_ROWS = 1_200_000  # services and readings of the trucks of one piece
KEPT = {  # what practice and episodes are made of
    "unit_now": "unit_no, turns_per_mile, record_start",
    "unit_end": "*",
    "stop": "*",
    "era": "*",
    "gap": "unit_no, era_no, duty_cycle, end_day, miles, counted",
    "truck_shop": "*",
    "life": "life_id, unit_no, unit_id, position, component, hardware, start_at, start_meter_miles, entry, exit, "
    "failed, lower, upper, entry_day, end_day, entry_miles, exit_miles, fittable",
}

_LOGGED = {"repeated": "repeated_logged"}  # what the store's log of changes tells without comparing all keys

_TYPES = {"integer": pa.int32(), "bigint": pa.int64(), "double": pa.float64(), "boolean": pa.bool_(),
          "string": pa.string()}  # fmt: skip


@dataclass(frozen=True, slots=True)
class LocalEngine:
    """The steps run by the store's own database, each as a temporary table."""

    store: Store

    def make(self, name: str, values: Values) -> None:
        """Make the table ``name`` from ``sql/lives/<name>.sql``."""
        statement = read_step(_LOGGED.get(name, name))
        self.store.execute(f"create or replace temp table {name} as {statement}", bound(statement, values))

    def judge(self, judgement: Judgement, values: Values) -> None:
        """Make a table by a judgement in Python."""
        judged = judgement.judge(self.frame(judgement.query, values), values)
        columns = {
            name: pa.array(judged[name].to_numpy(), type=_TYPES[kind], from_pandas=True)
            for name, kind in judgement.columns.items()
        }
        self._keep(judgement.table, pa.table(columns))

    def frame(self, name: str, values: Values) -> pd.DataFrame:
        """Return the rows of the query ``sql/lives/<name>.sql``; equal texts are one text in memory."""
        return to_frame(self.arrow(name, values))

    def coded(self, name: str, values: Values) -> pd.DataFrame:
        """Return the rows of the query ``sql/lives/<name>.sql``, texts as categories."""
        return to_frame(self.arrow(name, values), coded=True)

    def arrow(self, name: str, values: Values) -> pa.Table:
        """Return the rows of the query ``sql/lives/<name>.sql`` as an Arrow table."""
        statement = read_step(name)
        return self.store.arrow(statement, bound(statement, values))

    def hand_over(self, name: str, frame: pd.DataFrame) -> None:
        """Make the table ``name`` from a small frame."""
        self._keep(name, pa.Table.from_pandas(frame, preserve_index=False))

    def _keep(self, name: str, table: pa.Table) -> None:
        make = f"create or replace temp table {name} as select * from batch"  # noqa: S608 - a name of steps.py
        self.store.execute(make, batch=table)


AfterPiece = Callable[[LocalEngine, Values], Any]


def build_in_pieces(
    store: Store, values: Values, *, lives: AfterPiece, episodes: AfterPiece, progress: Callable[[str], None]
) -> None:
    """Build lives and episodes of pieces of about ``PIECE_ROWS`` rows; call ``lives`` and ``episodes`` after each.

    Practice is drawn toward the whole fleet's, so the episodes follow when the lives of all pieces are there. What is
    said after a piece may read its tables; the next piece replaces them, and none is left at the end.
    """
    engine = LocalEngine(store)
    with _scratch(store):
        for name in MACROS:
            store.run(f"lives/macro_{name}")
        for name in WHOLE:
            engine.make(name, values)
        pieces = _cut(store)
        summaries, before = [], 0
        for number, (first, last) in enumerate(pieces, 1):
            progress(_words("building lives", number, len(pieces)))
            mine = {**values, "first_unit": first, "last_unit": last, "lives_before": before}
            build_lives(engine, mine)
            summaries.append(engine.frame("gap_summary", mine))
            lives(engine, mine)
            before += store.count("life")
            _keep_tables(store, number, len(pieces))
        shares = weigh_practice(engine, pd.concat(summaries, ignore_index=True))
        for number, (first, last) in enumerate(pieces, 1):
            progress(_words("working out practice", number, len(pieces)))
            mine = {**values, **shares, "first_unit": first, "last_unit": last}
            if len(pieces) > 1:
                _show_kept(store, first, last)
            build_practice(engine, mine)
            episodes(engine, mine)


def to_frame(table: pa.Table, *, coded: bool = False) -> pd.DataFrame:
    """Return an Arrow table as a frame: texts as objects that equal values share, dates to the microsecond.

    ``coded``: texts as categories instead.
    """
    columns: dict[str, Any] = {}
    for name, column in zip(table.column_names, table.columns, strict=True):
        if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
            codes, words = _code(column)
            columns[name] = pd.Categorical.from_codes(codes, words[:-1]) if coded else words[codes]
        elif pa.types.is_date(column.type):
            columns[name] = column.cast(pa.timestamp("us")).to_numpy()
        elif pa.types.is_integer(column.type) and column.null_count:
            columns[name] = column.to_pandas(types_mapper=lambda _: pd.Int64Dtype())
        else:
            columns[name] = column.to_numpy()
    return pd.DataFrame(columns, copy=False)


def _code(column: pa.ChunkedArray) -> tuple[Any, Any]:
    """Return the places of a column's texts among its different ones, -1 for none, and these with None as the last."""
    coded = column.combine_chunks().dictionary_encode()
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    words = np.array([*coded.dictionary.to_pylist(), None], dtype=object)
    return coded.indices.fill_null(-1).to_numpy(zero_copy_only=False), words


def join_frames(frames: list[pd.DataFrame]) -> pd.DataFrame:
    """Return frames of one form below one another; each column of the parts is let go as soon as it is joined."""
    if len(frames) == 1:
        return frames[0]
    columns: dict[str, Any] = {}
    for name in list(frames[0].columns):
        parts = [frame.pop(name) for frame in frames]
        columns[name] = pd.concat(parts, ignore_index=True).array
    return pd.DataFrame(columns, copy=False)


def _words(what: str, number: int, of: int) -> str:
    return what if of == 1 else f"{what}, piece {number} of {of}"


def _cut(store: Store) -> list[tuple[int, int]]:
    """Return the first and last truck of each piece."""
    if store.count("services") + store.count("readings") <= PIECE_ROWS:
        return [(1, max(store.count("unit_all"), 1))]
    pieces = store.rows(read_step("piece"), {"rows": PIECE_ROWS})
    return [(int(first), int(last)) for first, last in pieces] or [(1, 1)]


def _keep_tables(store: Store, number: int, of: int) -> None:
    if of == 1:
        return
    for name, columns in KEPT.items():
        how = f"create or replace temp table kept_{name} as" if number == 1 else f"insert into kept_{name}"
        store.execute(f"{how} select {columns} from {name}")  # noqa: S608 - names are this module's own
        store.execute(f"drop table temp.{name}")


def _show_kept(store: Store, first: int, last: int) -> None:
    """Name what was kept of the trucks of one piece as the steps do."""
    for name in KEPT:
        store.execute(
            f"create or replace temp view {name} as "  # noqa: S608 - names are this module's own
            f"select * from kept_{name} where unit_no between {first:d} and {last:d}"
        )


@contextmanager
def _scratch(store: Store) -> Iterator[None]:
    """Leave no temporary table behind, however it ends."""
    try:
        yield
    finally:
        for (name,) in store.rows("select view_name from duckdb_views() where temporary and not internal order by 1"):
            store.execute(f'drop view temp."{name}"')
        for (name,) in store.rows("select table_name from duckdb_tables() where temporary order by table_name"):
            store.execute(f'drop table if exists temp."{name}"')

"""Whole text files read by the database at once, and every line of them accounted for.

A row in which every value reads plainly is taken as it is; any other is read again, carefully, from its line.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from wearlab.history.load_files import Layout
from wearlab.history.load_rows import BATCH_ROWS, Batch, Bulk, Malformed, Sheet, count_gap, make_batch
from wearlab.history.load_scan import read_lines
from wearlab.history.load_sql import Reading, bind_bulk, bind_values, write_bulk
from wearlab.history.load_text import count_reason, cut_text, is_open_ended, split_line
from wearlab.history.store import Store, read_sql, read_table_sql

Ints = npt.NDArray[np.int64]

FIRST_LINE = 2  # of the rows: the header is line 1
_BLOCK = 256  # rows that share one place in the table of lines: load_table_move_stepped.sql knows it too


@dataclass(frozen=True, slots=True)
class Read:
    """One file as the database read it: rows staged and judged there, the lines left to be read carefully, no rows.

    ``shift`` is line less staged row, None where that is not the same for all rows.
    """

    rows: int
    left: tuple[int, ...]
    malformed: tuple[Malformed, ...]
    shift: int | None


@dataclass(frozen=True, slots=True)
class _Rejected:
    malformed: tuple[Malformed, ...]
    odd: tuple[int, ...]  # lines that are rows, though the database takes them for none

    @property
    def lines(self) -> list[int]:
        return sorted([*(one.line for one in self.malformed), *self.odd])


class UnevenError(Exception):
    """Rows and rejected lines that do not add up to the lines counted on the bytes, or a line that is not whole."""


def stage_bulk(
    store: Store, reading: Reading, layout: Layout, files: Sequence[tuple[int, Sheet]]
) -> tuple[Read, ...] | None:
    """Return what became of each of some files of one form, given by number and sheet, that the database reads itself.

    Returns None where they must be read in another way: where the rows and the rejected lines of a file do not add up
    to the lines counted on the bytes, or a line was rejected for anything but its number of values; nothing of the
    files is then staged.
    """
    bulks = [sheet.bulk for _, sheet in files if sheet.bulk is not None]
    joined = _join(bulks)
    ids = [file_id for file_id, _ in files]
    width = len(files[0][1].header)
    statement = write_bulk(reading, layout, joined)
    values = bind_values(reading, layout, statement, bind_bulk(joined, width, ids))
    for name in ("reject_errors", "reject_scans"):
        store.execute(f"drop table if exists {name}")
    try:
        with store.transaction():
            store.execute(statement, values)
            rejected = _list_rejected(store, bulks, width)
            _check_counts(store, reading, ids, bulks, rejected)
    except (RuntimeError, UnevenError):  # the other reader says why, line by line
        return None
    places = {row[0]: row[1:] for row in store.rows(read_table_sql("load_table_places", reading.table), {"ids": ids})}
    return tuple(
        _settle(store, reading, file_id, places.get(file_id, (0, 0)), found)
        for file_id, found in zip(ids, rejected, strict=True)
    )


def _join(bulks: Sequence[Bulk]) -> Bulk:
    first = bulks[0]
    return Bulk(
        tuple(path for bulk in bulks for path in bulk.paths),
        first.delimiter,
        first.quote,
        first.crlf,
        sum(bulk.records for bulk in bulks),
        trim=any(bulk.trim for bulk in bulks),
    )


def _list_rejected(store: Store, bulks: Sequence[Bulk], width: int) -> list[_Rejected]:
    """Return the lines of each file that the database took for no rows; refuses one that was rejected in its parts."""
    found: dict[str, list[tuple[int, list[str], str]]] = {}
    for path, line, text, whole in store.rows(read_sql("load_rejects")):
        fields = split_line(text.strip("\r\n"), bulks[0].delimiter, bulks[0].quote) if whole else None
        if fields is None:
            raise UnevenError
        found.setdefault(path, []).append((line, fields, text))
    return [_sort_out(found.get(bulk.paths[0], []), width) for bulk in bulks]


def _sort_out(lines: list[tuple[int, list[str], str]], width: int) -> _Rejected:
    malformed, odd = [], []
    for line, fields, text in lines:
        if len(fields) == width or is_open_ended(fields, width):
            odd.append(line)
        else:
            malformed.append(Malformed(line, cut_text(text), count_reason(len(fields), width)))
    return _Rejected(tuple(malformed), tuple(odd))


def _check_counts(
    store: Store, reading: Reading, ids: list[int], bulks: Sequence[Bulk], rejected: list[_Rejected]
) -> None:
    rows = dict(store.rows(read_table_sql("load_table_counts", reading.table), {"ids": ids}))
    for file_id, bulk, found in zip(ids, bulks, rejected, strict=True):
        if rows.get(file_id, 0) + len(found.lines) != bulk.records:
            raise UnevenError


def _settle(store: Store, reading: Reading, file_id: int, place: tuple[int, int], found: _Rejected) -> Read:
    rows, first = place
    skipped = found.lines
    _number_lines(store, file_id, first, rows, skipped)
    doubted = store.rows(read_table_sql("load_table_left", reading.table), {"file_id": file_id})
    left = _line_of(np.array([row for (row,) in doubted], dtype=np.int64), first, skipped)
    lines = tuple(sorted([*left.tolist(), *found.odd]))
    return Read(rows - len(doubted), lines, found.malformed, None if skipped else FIRST_LINE - first)


def _list_steps(first: int, skipped: list[int]) -> Ints:
    """Return the staged rows from which on the line is one more: each the first row after a line that is no row."""
    return first + np.array(skipped, dtype=np.int64) - FIRST_LINE - np.arange(len(skipped), dtype=np.int64)


def _line_of(rows: Ints, first: int, skipped: list[int]) -> Ints:
    lines: Ints = rows - first + FIRST_LINE + np.searchsorted(_list_steps(first, skipped), rows, side="right")
    return lines


def _number_lines(store: Store, file_id: int, first: int, rows: int, skipped: list[int]) -> None:
    """Note for each block of staged rows by how much line is more than row, and the rows at which that grows."""
    blocks = np.arange(first // _BLOCK, (first + max(rows, 1) - 1) // _BLOCK + 1) if skipped else np.array([0])
    thresholds = _list_steps(first, skipped)
    starts = np.searchsorted(thresholds, blocks * _BLOCK, side="left")
    ends = np.searchsorted(thresholds, (blocks + 1) * _BLOCK, side="left")
    steps = [thresholds[a:b].tolist() or None for a, b in zip(starts.tolist(), ends.tolist(), strict=True)]
    batch = pa.table(
        {
            "file_id": pa.array([file_id] * len(blocks), pa.int32()),
            "block": pa.array(blocks if skipped else [None], pa.int64()),
            "shift": pa.array(starts + FIRST_LINE - first, pa.int64()),
            "steps": pa.array(steps, pa.list_(pa.int64())),
        }
    )
    store.execute("insert into bulk_lines select * from batch", batch=batch)


def read_left(path: Path, sheet: Sheet, lines: tuple[int, ...]) -> Iterator[Batch]:
    """Yield some lines of a file as rows of text, by their numbers; refuses (DataError) one that is no row."""
    rows = 0
    for batch in read_again(path, sheet, lines):
        rows += batch.rows.num_rows
        yield batch
    if rows != len(lines):
        raise count_gap(path.name, len(lines), rows)


def read_again(path: Path, sheet: Sheet, lines: tuple[int, ...]) -> Iterator[Batch]:
    """Yield some lines of a file as rows of text, by their numbers, or as malformed where they are none.

    Refuses (UnevenError) a line whose quotes do not close: it is part of a row, and not to be read by itself.
    """
    bulk, width = sheet.bulk, len(sheet.header)
    if bulk is None:
        return
    found = read_lines(path, lines)
    while some := list(islice(found, BATCH_ROWS)):
        numbers, rows, malformed = [], [], []
        for line, text in some:
            fields = split_line(text, bulk.delimiter, bulk.quote)
            if fields is None:
                raise UnevenError
            if len(fields) == width or is_open_ended(fields, width):
                numbers.append(line)
                rows.append(fields[:width])
            else:
                malformed.append(Malformed(line, cut_text(text), count_reason(len(fields), width)))
        yield make_batch(numbers, rows, malformed)

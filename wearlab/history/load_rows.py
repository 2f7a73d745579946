"""Rows of one file as text: what every reader of a format hands on, and the files it may be read from."""

import stat
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa

from wearlab.evidence import Caution, DataError

BATCH_ROWS = 50_000


@dataclass(frozen=True, slots=True)
class DataFile:
    """One file of a fleet folder: its name within the folder, where it is, and the table it belongs to."""

    name: str
    path: Path
    table: str
    options: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Malformed:
    """One line of a file that is no row: where it stands, what it says and what is wrong with it."""

    line: int
    text: str
    reason: str


@dataclass(frozen=True, slots=True)
class Batch:
    """Some rows of a file: ``rows`` has ``line`` (int64) and ``c0``, ``c1``, ... (text, one per name of the header)."""

    rows: pa.Table
    malformed: tuple[Malformed, ...]


@dataclass(frozen=True, slots=True)
class Bulk:
    """Text files of which every line is one record, so that the database itself can read them; most often one."""

    paths: tuple[str, ...]
    delimiter: str
    quote: str
    crlf: bool
    records: int  # lines after the header, counted on the bytes
    trim: bool  # values may have blanks or quotes at their edges


@dataclass(frozen=True, slots=True)
class Sheet:
    """One file opened: its header, the line the header stands on, and its rows in batches.

    ``rows_expected`` is an independent count of the rows, or None where the reader checks itself line by line. Where
    there is a ``bulk``, the rows may be read that way instead.
    """

    header: tuple[str, ...]
    header_line: int
    batches: Iterator[Batch]
    rows_expected: int | None
    cautions: tuple[Caution, ...] = ()
    bulk: Bulk | None = None


def make_batch(lines: Sequence[int], rows: Iterable[Sequence[str | None]], malformed: Sequence[Malformed]) -> Batch:
    """Return rows of equal width as a batch of text columns."""
    columns = list(zip(*rows, strict=True))
    arrays = [pa.array(lines, pa.int64()), *(pa.array(column, pa.string()) for column in columns)]
    names = ["line", *(f"c{number}" for number in range(len(columns)))]
    return Batch(pa.table(arrays, names=names), tuple(malformed))


def check_regular(path: Path, name: str) -> None:
    """Refuse what is not a plain file: a folder, a pipe, a device."""
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise unreadable(name, str(error.strerror)) from None
    if not stat.S_ISREG(mode):
        raise unreadable(name, "it is not a plain file")


def unreadable(name: str, why: str) -> DataError:
    """Return the error for a file that cannot be read at all."""
    return DataError("unreadable", f"the file cannot be read: {why}", "export it again, or take it away", name)


def count_gap(name: str, expected: int, found: int) -> DataError:
    """Return the error for rows that are not accounted for: a fault of this program, never of the data."""
    return DataError(
        "count-gap",
        f"{found} of {expected} rows are accounted for, so nothing was loaded",
        "report this file: every row must be accounted for",
        name,
    )

"""Delimited text to rows: encoding, dialect, and every physical line accounted for, whatever the quotes do."""

import codecs
import csv
import gzip
import io
import math
import zlib
from collections import deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import BinaryIO, cast

from wearlab.evidence import Caution, DataError
from wearlab.history.load_rows import BATCH_ROWS, Batch, Bulk, DataFile, Malformed, Sheet, make_batch, unreadable
from wearlab.history.load_scan import scan_bytes

DELIMITERS = (",", ";", "\t", "|")
SMALLEST_BULK = 1 << 15  # bytes; a smaller file is read as fast record by record
_WILD = frozenset("*?[]{}")  # a path with one of these would name several files to the database
_CHUNK = 1 << 20
_LONGEST_RECORD = 1_000  # lines; a quoted text longer than this is taken as a quote that was never closed
_LARGEST_UNPACKED = 4 << 30  # bytes of text in a compressed file
_LARGEST_RATIO = 200  # unpacked over packed: real exports stay below about 30
_SMALL = 64 << 20  # bytes that any compressed file may unpack to, and characters that no line may have
_SHOWN = 200  # characters of a malformed line that are kept


@dataclass(frozen=True, slots=True)
class Text:
    """How the bytes of a file are text, and how many lines they make: counted apart from any reading of records."""

    encoding: str
    lines: int
    guessed: bool


@dataclass(frozen=True, slots=True)
class _Record:
    line: int
    fields: list[str] | None
    text: str
    reason: str
    span: int


def read_text(file: DataFile, names: frozenset[str]) -> Sheet:
    """Return a delimited text file as rows; ``names`` are the column names looked for, to tell the delimiter.

    Refuses (DataError) a file that cannot be read, is empty or is no text. A line that is no row (too few or too many
    values, a quote never closed) is handed on as malformed and swallows no other line. Where each line is one record,
    the sheet says how the database may read it at once.
    """
    quote = file.options.get("quote", '"')
    bulk_text = _measure_bulk(file, names, quote)
    text = bulk_text[0] if bulk_text else measure_text(file)
    delimiter = bulk_text[1].delimiter if bulk_text else _find_delimiter(file, text.encoding, names, quote)
    with _opened(file, text.encoding) as stream:
        head = next(record for record in split_records(stream, delimiter, quote, None) if record.fields != [])
    if head.fields is None:
        raise DataError("bad-header", f"the header cannot be read: {head.reason}", "mend it", file.name, head.line)
    header = tuple(name.strip() for name in head.fields)
    cautions: tuple[Caution, ...] = ()
    if text.guessed:
        words = f"{file.name} is not UTF-8; it was read as {text.encoding}: look at its accented letters."
        cautions = (Caution("encoding-guessed", words),)
    batches = _read_batches(file, text, delimiter, quote, len(header))
    return Sheet(header, head.line, batches, None, cautions, bulk_text[1] if bulk_text else None)


def _find_delimiter(file: DataFile, encoding: str, names: frozenset[str], quote: str) -> str:
    with _opened(file, encoding) as stream:
        first = next((line for line in iter(lambda: stream.readline(_CHUNK), "") if line.strip("\r\n")), None)
    if first is None:
        raise DataError("empty-file", "the file is empty: not even a header", "export it again", file.name)
    return file.options.get("delimiter") or sniff_delimiter(first, names, quote)


def _measure_bulk(file: DataFile, names: frozenset[str], quote: str) -> tuple[Text, Bulk] | None:
    """Return how a file of one record a line may be read at once, or None where it is not one, or is small."""
    path = str(file.path.absolute())
    if (
        file.path.suffix.lower() == ".gz"
        or file.options.get("encoding", "utf-8").lower() not in {"utf-8", "utf8"}
        or set(path) & _WILD
        or not (file.options.get("delimiter", "") + quote).isascii()
        or file.path.stat().st_size < SMALLEST_BULK
    ):
        return None
    try:
        delimiter = _find_delimiter(file, "utf-8-sig", names, quote)
    except UnicodeDecodeError:
        return None
    scan = scan_bytes(file.path, delimiter, quote)
    if not scan.simple:
        return None
    records = scan.lines - scan.blank_at_end - 1
    bulk = Bulk((path,), delimiter, quote, scan.crlf, records, trim=scan.edges)
    return Text("utf-8-sig", scan.lines, guessed=False), bulk


def measure_text(file: DataFile) -> Text:
    """Return the encoding of a text file and the number of its lines, counted apart."""
    given = file.options.get("encoding")
    with _opened_bytes(file) as stream:
        head = stream.read(4096)
    if given:
        if not _is_encoding(given):
            fix = 'name a usual one, such as "utf-8", "cp1252" or "utf-16"'
            raise DataError("bad-setting", f"no such encoding: {given!r}", fix, file.name)
        candidates = [given]
    else:
        candidates = _candidates(file, head)
    for encoding in candidates:
        lines = _count_lines(file, encoding)
        if lines is not None:
            return Text(encoding, lines, guessed=encoding in {"cp1252", "latin-1"} and not given)
    raise unreadable(file.name, f"its bytes are not {candidates[0]}")


def _is_encoding(name: str) -> bool:
    """Return whether bytes can be read as text by that name: Python knows codecs of other kinds too."""
    try:
        io.TextIOWrapper(io.BytesIO(), encoding=name)
    except (LookupError, ValueError):
        return False
    return True


def _candidates(file: DataFile, head: bytes) -> list[str]:
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return ["utf-16"]
    if head.startswith(codecs.BOM_UTF8):
        return ["utf-8-sig"]
    even, odd = head[0::2].count(0), head[1::2].count(0)
    if even or odd:
        if min(even, odd) * 4 > max(even, odd) or max(even, odd) * 4 < len(head):
            raise unreadable(file.name, "it is not text")
        return ["utf-16-le" if odd > even else "utf-16-be"]
    return ["utf-8", "cp1252", "latin-1"]


def _count_lines(file: DataFile, encoding: str) -> int | None:
    """Return the number of lines (LF, CR LF or CR; the last may be open), or None where the bytes do not fit."""
    decoder = codecs.getincrementaldecoder(encoding)()
    lines, last, size, since = 0, "", 0, 0
    largest = _largest_size(file)
    with _opened_bytes(file) as stream:
        while True:
            chunk = stream.read(_CHUNK)
            size += len(chunk)
            if size > largest:
                raise unreadable(file.name, f"it unpacks to more than {largest:,} bytes")
            try:
                text = decoder.decode(chunk, final=not chunk)
            except UnicodeError:
                return None
            if text:
                lines += text.count("\n") + text.count("\r") - text.count("\r\n") - (last == "\r" and text[0] == "\n")
                last = text[-1]
                since = 0 if "\n" in text or "\r" in text else since + len(text)
            if since > _SMALL:
                raise unreadable(file.name, f"it has a line of more than {_SMALL:,} characters")
            if not chunk:
                return lines + (last not in {"", "\n", "\r"})


def _largest_size(file: DataFile) -> float:
    """Return how many bytes a file may unpack to: without bounds where it is not compressed."""
    if file.path.suffix.lower() != ".gz":
        return math.inf
    return min(_LARGEST_UNPACKED, max(_SMALL, _LARGEST_RATIO * file.path.stat().st_size))


def sniff_delimiter(header: str, names: frozenset[str], quote: str) -> str:
    """Return the delimiter that splits a header into most names looked for, then into most names at all."""

    def score(delimiter: str) -> tuple[int, int]:
        try:
            found = next(_reader([header], delimiter, quote), [])
        except csv.Error:
            return 0, 0
        return sum(name.strip() in names for name in found), len(found)

    return max(DELIMITERS, key=score)


def split_records(lines: Iterable[str], delimiter: str, quote: str, width: int | None) -> Iterator[_Record]:
    """Yield one record per row, with its first line; blank lines have no fields, malformed ones ``fields`` None.

    A record over several lines that does not come out right (a quote never closed, the wrong number of values, a line
    within it that is a row by itself) gives up its first line alone; reading goes on at the line after it.
    """
    source, pending, taken = iter(lines), deque[str](), list[str]()

    def feed() -> Iterator[str]:
        while len(taken) < _LONGEST_RECORD:
            line = pending.popleft() if pending else next(source, None)
            if line is None:
                return
            taken.append(line)
            yield line

    number, records = 1, _reader(feed(), delimiter, quote)
    while True:
        taken.clear()
        fields, reason = _take(records, width)
        if not taken:
            return
        if not reason and len(taken) > 1 and _holds_row(taken, delimiter, quote, width):
            reason = "a quote that is not closed on this line"
        if reason:
            pending.extendleft(reversed(taken[1:]))
            del taken[1:]
            records = _reader(feed(), delimiter, quote)
        text = cut_text(taken[0]) if reason else ""
        yield _Record(number, None if reason else fields, text, reason, len(taken))
        number += len(taken)


def _take(records: Iterator[list[str]], width: int | None) -> tuple[list[str], str]:
    """Return the next record and what is wrong with it, if anything; at the end of the lines, nothing."""
    try:
        fields = next(records, [])
    except csv.Error as error:
        return [], _explain(str(error))
    if fields and width is not None and len(fields) != width:
        if not is_open_ended(fields, width):
            return fields, count_reason(len(fields), width)
        del fields[width:]
    return fields, ""


def is_open_ended(fields: list[str], width: int) -> bool:
    """Return whether a row has values too many, all of them blank: delimiters at its end say nothing."""
    return len(fields) > width and not any(fields[width:])


def _reader(lines: Iterable[str], delimiter: str, quote: str) -> Iterator[list[str]]:
    if not quote:
        return csv.reader(lines, delimiter=delimiter, quoting=csv.QUOTE_NONE, skipinitialspace=True)
    return csv.reader(lines, delimiter=delimiter, quotechar=quote, skipinitialspace=True, strict=True)


def split_line(line: str, delimiter: str, quote: str) -> list[str] | None:
    """Return the values of one line by itself, or None where its quotes do not close."""
    try:
        return next(_reader([line], delimiter, quote), [])
    except csv.Error:
        return None


def cut_text(line: str) -> str:
    """Return as much of a malformed line as is kept."""
    return line.strip("\r\n")[:_SHOWN]


def count_reason(values: int, width: int) -> str:
    """Return why a line of ``values`` values is no row."""
    return f"{values} values where the header has {width}"


def _explain(message: str) -> str:
    if "expected after" in message:
        return "text right after a closing quote"
    if "field larger" in message:
        return "a value of more than 131,072 characters"
    return "a quote that is not closed"


def _holds_row(lines: list[str], delimiter: str, quote: str, width: int | None) -> bool:
    """Return whether a line within a record of several lines is a row by itself: then a quote was left open before."""
    if width is None or width <= 2:
        return False
    likely = (line.strip("\r\n") for line in lines[1:-1] if line.count(delimiter) >= width - 1)
    return any(len(split_line(line, delimiter, quote) or ()) == width for line in likely)


def _read_batches(file: DataFile, text: Text, delimiter: str, quote: str, width: int) -> Iterator[Batch]:
    numbers, rows, malformed, counted, seen_header = [], [], [], 0, False
    with _opened(file, text.encoding) as stream:
        for record in split_records(stream, delimiter, quote, width):
            counted += record.span
            if record.fields == []:
                continue
            if not seen_header:
                seen_header = True
            elif record.fields is None:
                malformed.append(Malformed(record.line, record.text, record.reason))
            else:
                numbers.append(record.line)
                rows.append(record.fields)
            if len(rows) + len(malformed) >= BATCH_ROWS:
                yield make_batch(numbers, rows, malformed)
                numbers, rows, malformed = [], [], []
    if rows or malformed:
        yield make_batch(numbers, rows, malformed)
    if counted != text.lines:
        raise DataError(
            "count-gap",
            f"{counted} of {text.lines} lines are accounted for, so nothing was loaded",
            "report this file: the reader must account for every line",
            file.name,
        )


@contextmanager
def _opened_bytes(file: DataFile) -> Iterator[BinaryIO]:
    try:
        with file.path.open("rb") as raw:
            yield cast(BinaryIO, gzip.GzipFile(fileobj=raw)) if file.path.suffix.lower() == ".gz" else raw
    except (OSError, EOFError, zlib.error) as error:
        why = getattr(error, "strerror", None) or str(error) or "it ends too early"
        raise unreadable(file.name, why) from None


@contextmanager
def _opened(file: DataFile, encoding: str) -> Iterator[io.TextIOWrapper]:
    with _opened_bytes(file) as stream, io.TextIOWrapper(stream, encoding=encoding, newline="") as text:
        yield text

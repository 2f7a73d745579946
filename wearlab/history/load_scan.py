"""One pass over the bytes of a text file: an independent count of its lines, and whether each line is one record.

Such a file can be read by the database itself, in parallel; any other is read record by record (``load_text``).
"""

import codecs
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from wearlab.history.load_rows import SEPARATOR

_CHUNK = 1 << 22
_NEWLINE = 10


@dataclass(frozen=True, slots=True)
class Scan:
    """What the bytes of a text file show.

    ``lines`` are counted on the bytes alone. ``simple``: UTF-8, one kind of line end, no blank line but at the end,
    no line end within quotes, nothing that readers of delimited text take differently. ``edges``: blanks or quotes
    stand at the edge of a value. ``separators``: the file holds the character that sets values apart in a row's hash.
    """

    lines: int
    blank_at_end: int
    simple: bool
    crlf: bool
    edges: bool
    separators: bool


def scan_bytes(path: Path, delimiter: str, quote: str) -> Scan:
    """Return what one pass over the bytes of a file shows."""
    tally = _Tally(delimiter.encode(), quote.encode())
    with path.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            tally.take(chunk)
    return tally.result()


class _Tally:
    """The running counts of one pass; what a chunk needs to know of those before it is carried along."""

    def __init__(self, delimiter: bytes, quote: bytes) -> None:
        self.delimiter, self.quote = delimiter, quote
        self.decoder = codecs.getincrementaldecoder("utf-8")()
        self.tail = b""
        self.newlines = self.returns = self.crlf = self.quotes = 0
        self.blank_runs = 0  # lines without anything, seen so far
        self.trailing_blank = 0
        self.length = 0
        self.line_start = 0  # place of the byte after the last line end
        self.plain = True
        self.edges = self.separators = False

    def take(self, chunk: bytes) -> None:
        """Count one more chunk."""
        joined = self.tail + chunk
        self.returns += chunk.count(b"\r")
        self.crlf += joined.count(b"\r\n") - self.tail.count(b"\r\n")
        self._judge_text(chunk, joined)
        array = np.frombuffer(chunk, dtype=np.uint8)
        places = np.flatnonzero(array == _NEWLINE)
        self._judge_quotes(array, places)
        self._count_blank(places)
        self.newlines += places.size
        self.length += len(chunk)
        self.tail = joined[-3:]

    def _judge_quotes(self, array: npt.NDArray[np.uint8], places: npt.NDArray[np.int64]) -> None:
        """Judge whether a line end stands within quotes, those left open by the chunks before counted."""
        found = array == self.quote[0] if self.quote else np.zeros(1, dtype=bool)
        if self.quotes % 2 or found.any():
            marks = np.cumsum(found)
            self.edges = True
            self.plain = self.plain and not ((marks[places] + self.quotes) & 1).any()
            self.quotes += int(marks[-1])

    def _judge_text(self, chunk: bytes, joined: bytes) -> None:
        if not chunk.isascii() or self.decoder.getstate()[0]:
            try:
                self.decoder.decode(chunk)
            except UnicodeDecodeError:
                self.plain = False
        indented = self.quote and self.delimiter + b" " + self.quote in joined
        self.plain = self.plain and b"\0" not in chunk and not indented
        self.separators = self.separators or SEPARATOR.encode() in chunk
        self.edges = self.edges or self._find_edges(joined)

    def _find_edges(self, joined: bytes) -> bool:
        """Return whether a space, tab or no-break space stands beside a delimiter or a line end."""
        array = np.frombuffer(joined, dtype=np.uint8)
        ends = np.frombuffer(self.delimiter + b"\n\r", dtype=np.uint8)
        for space in {32, 9, 160} - set(self.delimiter):
            places = np.flatnonzero(array == space) if space in joined else np.empty(0, dtype=np.int64)
            beside = np.concatenate([array[places[places > 0] - 1], array[places[places < array.size - 1] + 1]])
            if np.isin(beside, ends).any():
                return True
        return False

    def _count_blank(self, places: npt.NDArray[np.int64]) -> None:
        """Count lines that hold nothing; a run of them at the very end is no fault."""
        absolute = places + self.length
        starts = np.concatenate([[self.line_start], absolute[:-1] + 1]) if absolute.size else absolute
        widths = absolute - starts
        # With CR LF line ends a blank line has one byte, the CR; in any other file a lone CR makes it not simple.
        blank = widths <= (1 if self.crlf else 0)
        if absolute.size:
            self.line_start = int(absolute[-1]) + 1
            full = np.flatnonzero(~blank)
            if full.size:
                self.blank_runs += self.trailing_blank + int(blank[: full[-1]].sum())
                self.trailing_blank = int(blank[full[-1] + 1 :].sum())
            else:
                self.trailing_blank += int(blank.sum())

    def result(self) -> Scan:
        """Return the whole account."""
        open_line = self.line_start < self.length
        if open_line:
            self.blank_runs += self.trailing_blank
            self.trailing_blank = 0
        whole = not self.decoder.getstate()[0] and self.quotes % 2 == 0
        one_kind = self.returns == self.crlf and self.crlf in {0, self.newlines}
        simple = self.plain and whole and one_kind and not self.blank_runs and self.newlines > 0
        return Scan(
            self.newlines + open_line,
            self.trailing_blank if simple else 0,
            simple,
            self.crlf > 0,
            self.edges or (self.tail[-1:].isspace() and not self.tail.endswith((b"\n", b"\r"))),
            self.separators,
        )

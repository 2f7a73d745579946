"""One pass over the bytes of a text file: an independent count of its lines, and whether each line is one record.

Such a file can be read by the database itself, in parallel; any other is read record by record (``load_text``).
"""

import codecs
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

_CHUNK = 1 << 22
_NEWLINE = 10
_LONGEST_LINE = 100_000  # bytes of a line that the database may be given: what it keeps of one that it rejects
_TAIL = 3  # bytes


@dataclass(frozen=True, slots=True)
class Scan:
    """What the bytes of a text file show.

    ``lines`` are counted on the bytes alone. ``simple``: UTF-8, one kind of line end, no blank line but at the end,
    no line end within quotes, nothing that readers of delimited text take differently. ``edges``: blanks or quotes
    stand at the edge of a value.
    """

    lines: int
    blank_at_end: int
    simple: bool
    crlf: bool
    edges: bool


def scan_bytes(path: Path, delimiter: str, quote: str) -> Scan:
    """Return what one pass over the bytes of a file shows."""
    tally = _Tally(delimiter.encode(), quote.encode())
    buffer = bytearray(_CHUNK + _TAIL)  # each chunk stands behind the last bytes of the one before
    with path.open("rb") as stream, memoryview(buffer) as room:
        while size := stream.readinto(room[_TAIL:]):
            tally.take(buffer if size == _CHUNK else buffer[: size + _TAIL])
            room[:_TAIL] = room[size : size + _TAIL]
    return tally.result()


class _Tally:
    """The running counts of one pass; what a chunk needs to know of those before it is carried along."""

    def __init__(self, delimiter: bytes, quote: bytes) -> None:
        self.delimiter, self.quote = delimiter, quote
        # Spaces between a quote and the edge of its value, or more of either, beyond which the edge may be.
        ends = (delimiter, b"\n", b"\r", b" ", quote)
        self.loose = [*(end + b" " + quote for end in ends), *(quote + b" " + end for end in ends)]
        self.decoder = codecs.getincrementaldecoder("utf-8")()
        self.last = b""
        self.newlines = self.returns = self.crlf = self.quotes = 0
        self.blank_runs = 0  # lines without anything, seen so far
        self.trailing_blank = 0
        self.length = 0
        self.line_start = 0  # place of the byte after the last line end
        self.plain = True
        self.longest = 0  # bytes of the longest line that has an end
        self.edges = False

    def take(self, joined: bytearray) -> None:
        """Count one more chunk, which stands behind the tail of the one before (zero bytes before the first)."""
        array = np.frombuffer(joined, dtype=np.uint8)
        body = array[_TAIL:]
        places = np.flatnonzero(body == _NEWLINE)
        if b"\r" in joined:
            self.returns += joined.count(b"\r", _TAIL)
            self.crlf += joined.count(b"\r\n", _TAIL - 1)
        self._judge_text(joined)
        self._judge_quotes(joined, body, places)
        self.edges = self.edges or self._find_edges(joined, array)
        self._count_blank(places)
        self.newlines += places.size
        self.length += body.size
        self.last = bytes(joined[-2:])

    def _judge_quotes(self, joined: bytearray, body: npt.NDArray[np.uint8], places: npt.NDArray[np.int64]) -> None:
        """Judge whether a line end stands within quotes, those left open by the chunks before counted."""
        there = bool(self.quote) and self.quote in joined
        if self.quotes % 2 or there:
            marks = np.cumsum(body == self.quote[0])
            loose = any(sign in joined for sign in self.loose)
            self.edges = True
            self.plain = self.plain and not loose and not ((marks[places] + self.quotes) & 1).any()
            self.quotes += int(marks[-1])

    def _judge_text(self, joined: bytearray) -> None:
        if not joined.isascii() or self.decoder.getstate()[0]:
            try:
                self.decoder.decode(joined[_TAIL:])
            except UnicodeDecodeError:
                self.plain = False
        self.plain = self.plain and joined.find(b"\0", _TAIL) < 0

    def _find_edges(self, joined: bytearray, array: npt.NDArray[np.uint8]) -> bool:
        """Return whether a space, tab or no-break space stands beside a delimiter or a line end."""
        ends = (*self.delimiter, 10, 13)
        for space in {32, 9, 160} - set(self.delimiter):
            if space not in joined:
                continue
            places = np.flatnonzero(array == space)
            width = 2 if space == 160 else 1  # bytes of the character, of which this is the last
            before, after = array[places[places >= width] - width], array[places[places < array.size - 1] + 1]
            if any((before == end).any() or (after == end).any() for end in ends):
                return True
        return False

    def _count_blank(self, places: npt.NDArray[np.int64]) -> None:
        """Count lines that hold nothing; a run of them at the very end is no fault."""
        absolute = places + self.length
        starts = np.concatenate([[self.line_start], absolute[:-1] + 1]) if absolute.size else absolute
        widths = absolute - starts
        # With CR LF line ends a blank line has one byte, the CR; in any other file a lone CR makes it not simple.
        blank = widths <= (1 if self.crlf else 0)
        self.longest = max(self.longest, int(widths.max(initial=0)))
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
        short = max(self.longest, self.length - self.line_start) <= _LONGEST_LINE
        loose = bool(self.quote) and self.last == self.quote + b" "
        simple = self.plain and not loose and whole and one_kind and short and not self.blank_runs and self.newlines > 0
        return Scan(
            self.newlines + open_line,
            self.trailing_blank if simple else 0,
            simple,
            self.crlf > 0,
            self.edges or self.last[-1:] in {b" ", b"\t", b"\xa0"},
        )


def read_lines(path: Path, numbers: Sequence[int]) -> Iterator[tuple[int, str]]:
    """Yield some lines of a UTF-8 file by their numbers (the first is 1, in rising order), without their ends."""
    wanted, next_one = np.asarray(numbers, dtype=np.int64), 0
    seen, carried = 0, b""  # lines ended so far, and what the last chunk left open
    with path.open("rb") as stream:
        while next_one < len(wanted):
            chunk = stream.read(_CHUNK >> 2)
            block = carried + (chunk or b"\n")
            ends = np.flatnonzero(np.frombuffer(block, dtype=np.uint8) == _NEWLINE)
            stop = int(np.searchsorted(wanted, seen + ends.size, side="right"))
            for number in wanted[next_one:stop].tolist():
                place = number - seen - 1
                start = int(ends[place - 1]) + 1 if place else 0
                yield number, block[start : int(ends[place])].removesuffix(b"\r").decode()
            next_one, seen = stop, seen + ends.size
            carried = block[int(ends[-1]) + 1 :] if ends.size else block
            if not chunk:
                return

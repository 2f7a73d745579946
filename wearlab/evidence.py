"""What every result carries: what it rests on, how to doubt it, and what is missing where there is no answer."""

from dataclasses import dataclass, field
from datetime import date
from typing import Protocol


@dataclass(frozen=True, slots=True)
class SourceFile:
    """One file that a result was made from."""

    name: str
    sha256: str
    table: str
    rows_read: int
    rows_loaded: int
    rows_set_aside: int
    rows_already_loaded: int


@dataclass(frozen=True, slots=True)
class Basis:
    """What a number rests on; ``as_of`` is the day the study looks back from, never the day of the run."""

    source: str
    files: tuple[SourceFile, ...]
    as_of: date | None
    scale: str
    level: float
    stratum: tuple[tuple[str, str], ...]
    lives: int
    failures: int


@dataclass(frozen=True, slots=True)
class Caution:
    """One reason to read a result with care, in words that a workshop manager understands."""

    code: str
    text: str


class Result(Protocol):
    """What every result carries, answered or not."""

    @property
    def basis(self) -> Basis:
        """What it rests on."""

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """How to doubt it."""


@dataclass(frozen=True, slots=True)
class Unanswered:
    """A question that this data cannot answer: what is missing, and what would supply it."""

    basis: Basis
    cautions: tuple[Caution, ...]
    code: str
    text: str
    fix: str


@dataclass(slots=True)
class DataError(Exception):
    """Input that cannot be used: where it stands, what was found and wanted, and how to mend it."""

    code: str
    text: str
    fix: str = ""
    file: str | None = None
    line: int | None = None
    column: str | None = None
    details: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        self.text, self.fix = _on_one_line(self.text), _on_one_line(self.fix)
        self.file, self.column = (name and _on_one_line(name) for name in (self.file, self.column))

    def __reduce__(self) -> tuple[type["DataError"], tuple[object, ...]]:
        """Return how it is made again in another process: from all it says."""
        return type(self), (self.code, self.text, self.fix, self.file, self.line, self.column, self.details)

    def __str__(self) -> str:
        where = ", ".join(
            part
            for part in (
                self.file or "",
                f"line {self.line}" if self.line is not None else "",
                f"column {self.column}" if self.column else "",
            )
            if part
        )
        line = ": ".join(part for part in (where, self.text) if part)
        return f"{as_sentence(line)} Fix: {self.fix}" if self.fix else line


_LONGEST = 1_000  # characters of a refusal: what it quotes from data may have any length


def _on_one_line(text: str) -> str:
    line = readable_name(" ".join(text.splitlines()))
    return line if len(line) <= _LONGEST else f"{line[:_LONGEST]} ..."


def readable_name(name: str) -> str:
    """Return the name of a file or folder as text: what is no UTF-8 in it as codes."""
    return name.encode("utf-8", "backslashreplace").decode()


def as_sentence(text: str) -> str:
    """Return a text that ends as a sentence does."""
    return text if text.endswith((".", "!", "?")) else f"{text}."


def say_code(code: str) -> str:
    """Return a code of the contract (``line_haul``, ``slip_spline``) in words."""
    return WORDS.get(code, code.replace("_", " "))


def say_chance(p_value: float) -> str:
    """Return a p value as it stands in a sentence: ``p = 0.013``, or ``p under 0.001``."""
    return "p under 0.001" if p_value < 0.0005 else f"p = {p_value:.3f}"


def add_cautions(*groups: tuple[Caution, ...]) -> tuple[Caution, ...]:
    """Return the cautions of all groups, each once, in the order in which they first appear."""
    return tuple(dict.fromkeys(caution for group in groups for caution in group))


WORDS = {"line_haul": "line-haul"}

SAFETY = Caution(
    "safety",
    "Advisory only: the maker's published instructions and intervals, local rules and qualified technicians come "
    "first. Before work: level ground, park brake and chocks, rated stands; nobody near a turning shaft; a shaft can "
    "weigh over 100 lb: two people or a hoist. Vibration, clunk, heat marks or a loose bolt: stop and inspect "
    "whatever the figures say.",
)

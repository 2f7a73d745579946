"""How a shown table is described: its fields, their headings, their order."""

from dataclasses import dataclass

TOP_ROWS = 12


@dataclass(frozen=True, slots=True)
class Field:
    """One shown column: its name in the frame, heading, kind (figures.KINDS) and, with an interval, its ends.

    In a heading ``{scale}`` stands for the unit of lives and ``{currency}`` for that of money; ``times`` turns the
    frame's numbers into the unit of the heading.
    """

    column: str
    heading: str
    kind: str
    low: str | None = None
    high: str | None = None
    times: float = 1.0


@dataclass(frozen=True, slots=True)
class Layout:
    """How one table is shown.

    ``order`` sorts it (``-name`` = falling), ``rows`` is how many stand on the page, ``only`` (column, value) picks
    the rows that do; ``folded`` tables stand behind their caption until asked for.
    """

    caption: str
    fields: tuple[Field, ...]
    order: tuple[str, ...] = ()
    rows: int = TOP_ROWS
    only: tuple[str, object] | None = None
    folded: bool = False


def ends(column: str, heading: str, kind: str) -> Field:
    """Return a field whose interval stands in the columns ``_low`` and ``_high``."""
    return Field(column, heading, kind, f"{column}_low", f"{column}_high")


COMPONENT = Field("component", "Part", "name")
DUTY_CYCLE = Field("duty_cycle", "Duty cycle", "name")
UNIT = Field("unit_id", "Truck", "text")
POSITION = Field("position", "Position", "place")
SHOP = Field("shop", "Shop", "label")
LIVES = Field("lives", "Lives", "count")
FAILURES = Field("failures", "Failures", "count")
FACTOR = Field("factor", "Factor", "name")

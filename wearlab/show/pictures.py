"""What a picture of the report is: its charts, its message, and the same in words and as data."""

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from wearlab.evidence import Basis
from wearlab.show.document import show_text
from wearlab.show.figures import show_date
from wearlab.show.plots import PANEL_HEIGHT, PANEL_WIDTH, SERIES, draw_svg
from wearlab.show.tables import show_interval

PANELS_SHOWN = 8  # charts of one picture


@dataclass(frozen=True, slots=True)
class Panel:
    """One chart of a picture: what it is about, and its SVG."""

    label: str
    svg: str


@dataclass(frozen=True, slots=True)
class Picture:
    """One or more charts with one message, told in ``words`` too and kept as ``data``."""

    name: str
    title: str
    panels: tuple[Panel, ...]
    words: tuple[str, ...]
    note: str
    source: str
    data: pd.DataFrame


def source_line(basis: Basis) -> str:
    """Return where a picture's numbers come from, in one line."""
    day = f", looking back from {show_date(basis.as_of)}" if basis.as_of else ""
    return f"Source: {show_text(basis.source)}{day}; {basis.lives:,} lives, {basis.failures:,} failures."


def make_panel(name: str, label: str, alt: str, draw: Callable[..., object], *, rows: int = 0, more: int = 0) -> Panel:
    """Return one chart drawn; ``rows`` gives the height of one with a row per name, ``more`` is added to the usual."""
    height = max(150, 90 + 26 * rows) if rows else PANEL_HEIGHT + more
    return Panel(label, draw_svg(lambda ax: draw(ax=ax), name=name, alt=alt, width=PANEL_WIDTH, height=height))


def key_of(frame: pd.DataFrame, column: str) -> pd.Series:
    """Return a column with blanks as ``all``, or ``all`` throughout where there is no such column."""
    return frame[column].fillna("all") if column in frame else pd.Series("all", index=frame.index, name=column)


def ranges_of(frame: pd.DataFrame, label: str, value: str, low: str, high: str) -> pd.DataFrame:
    """Return the columns that charts of ranges take: ``label``, ``value``, ``low``, ``high``."""
    columns = {label: "label", value: "value", low: "low", high: "high"}
    return (
        frame.reindex(columns=list(columns))
        .rename(columns=columns)
        .astype({"value": float, "low": float, "high": float})
    )


def span_of(row: dict[str, object]) -> str:
    """Return a row of ``ranges_of`` as a value with its range."""
    return show_interval(row["value"], row["low"], row["high"], "number")


def busiest(frame: pd.DataFrame, weight: pd.Series) -> tuple[pd.DataFrame, str]:
    """Return the rows of the ``group``s that have the most ``weight``, as many as a chart has colours, and a note.

    ``weight`` is indexed by group; the note is empty where every group is drawn.
    """
    return largest(frame, "group", weight, most=len(SERIES), what="groups")


def largest(
    frame: pd.DataFrame, column: str, weight: pd.Series, *, most: int = PANELS_SHOWN, what: str
) -> tuple[pd.DataFrame, str]:
    """Return the rows of the ``most`` values of a column that weigh most, in their own order, and a note that says so.

    ``weight`` is indexed by the values; the note is empty where all are drawn.
    """
    values = frame[column].unique()
    if len(values) <= most:
        return frame, ""
    kept = weight.reindex(values).fillna(0).sort_values(ascending=False, kind="stable").index[:most]
    note = f" Drawn are the {most} largest of {len(values):,} {what}; the data have all of them."
    return frame.loc[frame[column].isin(kept)], note

"""Which columns of a result's tables a reader sees, under which headings, in which order."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import pandas as pd

from wearlab.show.document import plain_value, show_text
from wearlab.show.figures import is_missing, is_numeric, show_value

TOP_ROWS = 12


@dataclass(frozen=True, slots=True)
class Field:
    """One shown column: its name in the frame, heading, kind (figures.KINDS) and, with an interval, its ends."""

    column: str
    heading: str
    kind: str
    low: str | None = None
    high: str | None = None


@dataclass(frozen=True, slots=True)
class Layout:
    """How one table is shown; ``order`` sorts it (``-name`` = falling), ``rows`` is how many stand on the page."""

    caption: str
    fields: tuple[Field, ...]
    order: tuple[str, ...] = ()
    rows: int = TOP_ROWS


@dataclass(frozen=True, slots=True)
class Cell:
    """One shown value and the value it sorts by."""

    text: str
    sort: str
    numeric: bool


@dataclass(frozen=True, slots=True)
class ShownTable:
    """A table as the page prints it; ``total`` counts the rows of the file it was cut from."""

    name: str
    caption: str
    headings: tuple[tuple[str, bool], ...]
    rows: tuple[tuple[Cell, ...], ...]
    total: int
    file: str


def _ends(column: str, heading: str, kind: str) -> Field:
    return Field(column, heading, kind, f"{column}_low", f"{column}_high")


COMPONENT = Field("component", "Part", "name")
DUTY_CYCLE = Field("duty_cycle", "Duty cycle", "name")
UNIT = Field("unit_id", "Truck", "text")
POSITION = Field("position", "Position", "text")
LIVES = Field("lives", "Lives", "count")
FAILURES = Field("failures", "Failures", "count")
FACTOR = Field("factor", "Factor", "name")

LAYOUTS: dict[tuple[str, str], Layout] = {
    ("lives", "groups"): Layout(
        "Lives behind this report",
        (
            COMPONENT,
            DUTY_CYCLE,
            LIVES,
            FAILURES,
            Field("suspensions", "Suspensions", "count"),
            Field("entered_late", "Entered late", "count"),
            Field("age_unknown", "Age unknown", "count"),
            Field("position_unknown", "Position unknown", "count"),
            Field("exposure", "Exposure", "whole"),
        ),
        rows=40,
    ),
    ("fit", "fits"): Layout(
        "Life curves by part and duty cycle",
        (
            COMPONENT,
            DUTY_CYCLE,
            LIVES,
            FAILURES,
            _ends("b10", "B10 life", "number"),
            _ends("beta", "Shape", "ratio"),
            _ends("eta", "Characteristic life", "number"),
            Field("frailty_variance", "Spread between trucks", "ratio"),
        ),
        rows=24,
    ),
    ("compare", "classes"): Layout(
        "Classes side by side",
        (
            COMPONENT,
            Field("level", "Class", "name"),
            LIVES,
            FAILURES,
            _ends("b10", "B10 life", "number"),
            _ends("rate_per_million", "Failures per million", "number"),
            _ends("cost_per_1000", "Cost per 1,000", "money"),
        ),
        rows=24,
    ),
    ("compare", "contrasts"): Layout(
        "How much longer or shorter, class against class",
        (
            COMPONENT,
            Field("level", "Class", "name"),
            Field("reference", "Compared with", "name"),
            _ends("b10_ratio", "B10 ratio", "ratio"),
            Field("p_value", "p value", "chance"),
        ),
        rows=24,
    ),
    ("intervals", "regrease"): Layout(
        "Regrease intervals",
        (
            DUTY_CYCLE,
            Field("current", "Today", "whole"),
            Field("recommended", "Recommended", "whole"),
            Field("flat_zone", "Flat zone", "whole", "low", "high"),
            Field("cost_optimal", "Cheapest before limits", "whole"),
            Field("saving_per_truck_year", "Saving per truck-year", "money", "saving_low", "saving_high"),
            Field("probability_better", "Chance of being better", "share"),
            Field("evidence", "Evidence", "name"),
            Field("limited_by", "Limited by", "name"),
        ),
        rows=24,
    ),
    ("intervals", "effects"): Layout(
        "What the regrease interval does to failures",
        (
            DUTY_CYCLE,
            COMPONENT,
            _ends("theta", "Theta", "ratio"),
            FAILURES,
            Field("trucks", "Trucks", "count"),
            Field("reliability_ratio", "Reliability ratio", "ratio"),
        ),
        rows=24,
    ),
    ("intervals", "replacement"): Layout(
        "Planned replacement",
        (
            COMPONENT,
            DUTY_CYCLE,
            Field("policy", "Policy", "name"),
            Field("replace_at", "Replace at", "whole", "replace_at_low", "replace_at_high"),
            Field("cost_per_1000", "Cost per 1,000", "money", "cost_per_1000_low", "cost_per_1000_high"),
            Field("run_to_failure_per_1000", "Run to failure, per 1,000", "money"),
            Field("saving_share", "Saving", "share"),
            FAILURES,
        ),
        rows=24,
    ),
    ("early", "units"): Layout(
        "Trucks against their class",
        (
            UNIT,
            COMPONENT,
            Field("observed", "Observed", "count"),
            Field("expected", "Expected", "number"),
            Field("ratio", "Ratio", "ratio"),
            Field("shrunken_ratio", "Shrunken ratio", "ratio", "ratio_low", "ratio_high"),
            Field("p_value", "p value", "chance"),
            Field("q_value", "q value", "chance"),
            Field("flagged", "Flagged", "flag"),
        ),
        order=("-flagged", "q_value", "p_value", "unit_id"),
    ),
    ("early", "lives"): Layout(
        "Single lives that ended early",
        (
            UNIT,
            POSITION,
            Field("age", "Age at failure", "whole"),
            Field("u", "Share failing by then", "chance"),
            Field("q_value", "q value", "chance"),
            Field("flagged", "Flagged", "flag"),
        ),
        order=("-flagged", "q_value", "u", "unit_id"),
    ),
    ("cluster", "levels"): Layout(
        "What failed parts have in common",
        (
            FACTOR,
            Field("level", "Level", "text"),
            LIVES,
            Field("observed", "Observed", "count"),
            Field("expected", "Expected", "number"),
            _ends("ratio", "Observed to expected", "ratio"),
            Field("p_value", "p value", "chance"),
            Field("p_adjusted", "Adjusted p value", "chance"),
        ),
        order=("p_adjusted", "p_value", "-ratio", "factor", "level"),
    ),
    ("cluster", "at_risk"): Layout("Still running with the suspect property", (UNIT, POSITION)),
    ("forecast", "totals"): Layout(
        "Failures to count on",
        (Field("group", "Group", "name"), Field("expected", "Expected", "number", "low", "high")),
        rows=24,
    ),
    ("forecast", "parts"): Layout(
        "Parts to stock",
        (COMPONENT, DUTY_CYCLE, Field("expected", "Expected", "number", "low", "high")),
        rows=24,
    ),
    ("forecast", "units"): Layout(
        "Parts most likely to fail next",
        (UNIT, POSITION, Field("probability", "Chance of failing", "share")),
        order=("-probability", "unit_id", "position"),
    ),
    ("forecast", "backtest"): Layout(
        "The forecast tried on the past",
        (
            Field("as_of", "Made as of", "date"),
            Field("expected", "Expected", "number", "low", "high"),
            Field("observed", "Happened", "count"),
            Field("covered", "Inside the range", "flag"),
        ),
    ),
    ("wear", "parts"): Layout(
        "Measured wear and what is left",
        (
            UNIT,
            POSITION,
            Field("quantity", "Quantity", "name"),
            Field("latest", "Latest", "number"),
            Field("rate", "Per 1,000 miles", "number"),
            Field("miles_to_limit", "Miles to limit", "whole", "low", "high"),
        ),
        order=("miles_to_limit", "unit_id", "position"),
    ),
    ("due", "work"): Layout(
        "Work list",
        (
            Field("status", "Status", "name"),
            UNIT,
            POSITION,
            Field("task", "Task", "name"),
            Field("due_miles", "Due at", "whole"),
            Field("due_date", "Due on", "date"),
            Field("why", "Why", "text"),
        ),
        rows=20,
    ),
}


def lay_out(question: str, table: str, frame: pd.DataFrame, *, file: str) -> ShownTable:
    """Return a result's table as the page prints it; columns that the frame lacks are left away."""
    layout = LAYOUTS.get((question, table)) or Layout(table.replace("_", " ").capitalize(), _plain_fields(frame))
    fields = [field for field in layout.fields if _present(field, frame)]
    ordered = _in_order(frame, layout.order).head(layout.rows)
    rows = tuple(tuple(_cell(record, field) for field in fields) for record in ordered.to_dict("records"))
    headings = tuple((field.heading, is_numeric(field.kind)) for field in fields)
    return ShownTable(f"{question}_{table}", layout.caption, headings, rows, len(frame), file)


def _plain_fields(frame: pd.DataFrame) -> tuple[Field, ...]:
    from_name = {str(name): str(name).replace("_", " ").capitalize() for name in frame.columns}
    kinds = {name: "number" if pd.api.types.is_float_dtype(frame[name]) else "text" for name in from_name}
    return tuple(Field(name, heading, kinds[name]) for name, heading in from_name.items())


def _present(field: Field, frame: pd.DataFrame) -> bool:
    """Return whether a frame says anything at all under a heading."""
    columns = [name for name in (field.column, field.low, field.high) if name in frame.columns]
    return bool(frame[columns].notna().to_numpy().any())


def _in_order(frame: pd.DataFrame, order: Iterable[str]) -> pd.DataFrame:
    names = [name for name in order if name.removeprefix("-") in frame.columns]
    if not names or frame.empty:
        return frame
    columns = [name.removeprefix("-") for name in names]
    rising = [not name.startswith("-") for name in names]
    return frame.sort_values(columns, ascending=rising, kind="stable")


def _cell(record: dict[Any, Any], field: Field) -> Cell:
    value = record.get(field.column)
    low = record.get(field.low) if field.low else None
    high = record.get(field.high) if field.high else None
    text = show_interval(value, low, high, field.kind, alone=field.column not in record)
    sort = plain_value(low if field.column not in record else value)
    return Cell(text, "" if sort is None else show_text(sort), is_numeric(field.kind))


def show_interval(value: Any, low: Any, high: Any, kind: str, *, alone: bool = False) -> str:
    """Return ``value (low to high)``, the value where no end is known, or the ends where the range stands ``alone``."""
    if is_missing(low) and is_missing(high):
        return show_value(value, kind)
    ends = [show_value(end, kind, like=value) for end in (low, high)]
    if is_missing(high):
        span = f"{ends[0]} or more"
    elif is_missing(low):
        span = f"up to {ends[1]}"
    else:
        span = f"{ends[0]} to {ends[1]}"
    return span if alone or is_missing(value) else f"{show_value(value, kind)} ({span})"


def row_cautions(frame: pd.DataFrame, *, known: tuple[str, ...]) -> tuple[str, ...]:
    """Return the cautions in a table's rows that are not ``known`` yet, each once, the rows they belong to named."""
    if "cautions" not in frame.columns:
        return ()
    found: dict[str, list[str]] = {}
    for record in frame.to_dict("records"):
        name = ", ".join(
            show_value(record[column], "name") for column in ("component", "duty_cycle", "level") if column in record
        )
        for text in _texts(record["cautions"]):
            found.setdefault(text, []).append(name)
    return tuple(f"{'; '.join(dict.fromkeys(names))}: {text}" for text, names in found.items() if text not in known)


def _texts(cautions: Any) -> list[str]:
    if isinstance(cautions, list | tuple):
        return [show_text(getattr(caution, "text", caution)) for caution in cautions]
    return [] if is_missing(cautions) else [show_text(part) for part in str(cautions).split(" | ")]

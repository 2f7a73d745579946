"""A result's tables as the page prints them: headings, values with their ranges, and the cautions in their rows."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from wearlab.show.document import plain_value, show_text
from wearlab.show.fields import Field, Layout
from wearlab.show.figures import in_larger_unit, is_missing, is_numeric, show_scale, show_sentence, show_value
from wearlab.show.layouts import LAYOUTS

STYLES = {"name": "name", "date": "name", "prose": "prose"}


@dataclass(frozen=True, slots=True)
class Cell:
    """One shown value with its range, the value it sorts by, and whether it is a number, a name or prose."""

    text: str
    span: str
    sort: str
    style: str


@dataclass(frozen=True, slots=True)
class ShownTable:
    """A table as the page prints it; ``total`` counts the rows of the file it was cut from."""

    name: str
    caption: str
    headings: tuple[tuple[str, bool], ...]
    rows: tuple[tuple[Cell, ...], ...]
    total: int
    file: str
    folded: bool


def lay_out(
    question: str,
    table: str,
    frame: pd.DataFrame,
    *,
    section: str,
    units: Mapping[str, str],
    strata: tuple[str, ...] = (),
) -> ShownTable:
    """Return a result's table as it is shown; columns that the frame lacks are left away.

    ``units`` gives the ``scale`` and ``currency`` that headings name; ``strata`` are columns to be shown first.
    """
    layout = LAYOUTS.get((question, table)) or Layout(table.replace("_", " ").capitalize(), _plain_fields(frame))
    named = {field.column: field for field in layout.fields}
    first = [named.pop(name, Field(name, name.replace("_", " ").capitalize(), "name")) for name in strata]
    asked = [field for field in (*first, *named.values()) if _present(field, frame)]
    fields, frame = _in_larger_units(asked, frame, units.get("scale", ""))
    ordered = _first(_picked(frame, layout), layout.order, layout.rows)
    rows = tuple(tuple(_cell(record, field) for field in fields) for record in ordered.to_dict("records"))
    headings = tuple((in_units(field.heading, units), is_numeric(field.kind)) for field in fields)
    return ShownTable(
        f"{section}-{table}", layout.caption, headings, rows, len(frame), f"{question}_{table}.csv", layout.folded
    )


def _in_larger_units(fields: list[Field], frame: pd.DataFrame, scale: str) -> tuple[list[Field], pd.DataFrame]:
    """Return fields and frame with every number in the unit that is fit to be read, its heading naming that unit."""
    shown: list[Field] = []
    larger: dict[str, pd.Series] = {}
    for field in fields:
        heading, larger_unit = in_larger_unit(field.heading, scale)
        shown.append(replace(field, heading=heading))
        factor = larger_unit * field.times
        if factor != 1.0:
            columns = (name for name in (field.column, field.low, field.high) if name in frame.columns)
            larger |= {str(name): frame[name] * factor for name in columns}
    return shown, frame.assign(**larger)


def in_units(heading: str, units: Mapping[str, str]) -> str:
    """Return a heading with its units in the place of ``{scale}`` and ``{currency}``."""
    for name, unit in units.items():
        heading = heading.replace(f"{{{name}}}", unit)
    return heading


def _plain_fields(frame: pd.DataFrame) -> tuple[Field, ...]:
    from_name = {str(name): str(name).replace("_", " ").capitalize() for name in frame.columns}
    kinds = {name: "number" if pd.api.types.is_float_dtype(frame[name]) else "text" for name in from_name}
    return tuple(Field(name, heading, kinds[name]) for name, heading in from_name.items())


def _present(field: Field, frame: pd.DataFrame) -> bool:
    """Return whether a frame says anything at all under a heading."""
    columns = [name for name in (field.column, field.low, field.high) if name in frame.columns]
    return any(frame[name].notna().any() for name in columns)


def _picked(frame: pd.DataFrame, layout: Layout) -> pd.DataFrame:
    if layout.only is None or layout.only[0] not in frame.columns:
        return frame
    column, value = layout.only
    return frame.loc[frame[column] == value]


def _first(frame: pd.DataFrame, order: Iterable[str], rows: int) -> pd.DataFrame:
    """Return the first rows of a frame in an order; only rows that the first column lets come so far are sorted."""
    names = [name for name in order if name.removeprefix("-") in frame.columns]
    if not names or frame.empty:
        return frame.head(rows)
    columns = [name.removeprefix("-") for name in names]
    rising = [not name.startswith("-") for name in names]
    leading = frame[columns[0]]
    numeric = pd.api.types.is_numeric_dtype(leading) and not pd.api.types.is_bool_dtype(leading)
    if numeric and leading.count() > rows:
        frame = frame.loc[
            leading <= leading.nsmallest(rows).max() if rising[0] else leading >= leading.nlargest(rows).min()
        ]
    return frame.sort_values(columns, ascending=rising, kind="stable").head(rows)


def _cell(record: dict[Any, Any], field: Field) -> Cell:
    value = record.get(field.column)
    low = record.get(field.low) if field.low else None
    high = record.get(field.high) if field.high else None
    alone = field.column not in record
    span = show_span(value, low, high, field.kind)
    text = span if alone else show_value(value, field.kind, like=(value, low, high) if span else ())
    sort = plain_value(low if alone else value)
    style = "number" if is_numeric(field.kind) else STYLES.get(field.kind, "")
    return Cell(text, "" if alone else span, "" if sort is None else show_text(sort), style)


def show_interval(value: Any, low: Any, high: Any, kind: str) -> str:
    """Return ``value (low to high)``, or the value alone where no end is known or all three are one."""
    span = show_span(value, low, high, kind)
    return f"{show_value(value, kind, like=(value, low, high))} ({span})" if span else show_value(value, kind)


def show_ages(value: Any, low: Any, high: Any, scale: str) -> str:
    """Return an age with its interval and its unit; ``scale`` is what lives are measured in."""
    unit, factor = in_larger_unit("{scale}", show_scale(scale))
    middle, least, most = (None if is_missing(one) else factor * float(one) for one in (value, low, high))
    return f"{show_interval(middle, least, most, 'number')} {unit.replace('{scale}', show_scale(scale))}"


def show_span(value: Any, low: Any, high: Any, kind: str) -> str:
    """Return ``low to high`` with the value's decimals; nothing where no end is known or all three are one.

    Without a value each end has decimals of its own, but of money, which has those of the larger.
    """
    if (is_missing(low) and is_missing(high)) or value == low == high:
        return ""
    like = () if is_missing(value) else (value, low, high)
    ends = [show_value(end, kind, like=like) for end in (low, high)]
    if is_missing(high):
        return f"{ends[0]} or more"
    return f"up to {ends[1]}" if is_missing(low) else f"{ends[0]} to {ends[1]}"


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
        return [show_sentence(getattr(caution, "text", caution)) for caution in cautions]
    return [] if is_missing(cautions) else [show_sentence(part) for part in str(cautions).split(" | ")]

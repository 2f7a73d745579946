"""Results on a terminal: tables and cautions in words; the only door to rich."""

import re
import sys
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

import pandas as pd
from rich.console import Console
from rich.table import Table
from rich.text import Text

CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
ROWS_SHOWN = 25

# The columns that a terminal shows of each table; the JSON document and the CSV files have all of them.
SHOWN: Mapping[str, tuple[str, ...]] = {
    "fits": ("lives", "failures", "beta", "beta_low", "beta_high", "eta", "b10", "b10_low", "b10_high"),
    "classes": (
        "component",
        "level",
        "lives",
        "failures",
        "b10",
        "b10_low",
        "b10_high",
        "rate_per_million",
        "rate_per_million_low",
        "rate_per_million_high",
        "cost_per_1000",
    ),
    "classes classes": ("unit_id", "duty_cycle", "miles_per_year", "miles_per_hour", "looks_like", "note"),
    "contrasts": ("component", "level", "reference", "b10_ratio", "b10_ratio_low", "b10_ratio_high", "p_value"),
    "regrease": (
        "duty_cycle",
        "current",
        "recommended",
        "low",
        "high",
        "saving_per_truck_year",
        "saving_low",
        "saving_high",
        "probability_better",
        "evidence",
        "limited_by",
    ),
    "effects": (
        "duty_cycle",
        "component",
        "theta",
        "theta_low",
        "theta_high",
        "failures",
        "trucks",
        "reliability_ratio",
    ),
    "replacement": ("component", "duty_cycle", "policy", "replace_at", "replace_at_low", "replace_at_high", "saving"),
    "units": (
        "unit_id",
        "position",
        "component",
        "observed",
        "expected",
        "ratio",
        "shrunken_ratio",
        "ratio_low",
        "ratio_high",
        "p_value",
        "q_value",
        "flagged",
        "probability",
    ),
    "lives": ("unit_id", "position", "age", "u", "q_value", "flagged"),
    "levels": (
        "component",
        "factor",
        "level",
        "lives",
        "observed",
        "expected",
        "ratio",
        "ratio_low",
        "ratio_high",
        "p_adjusted",
    ),
    "at_risk": ("unit_id", "position", "probability_90_days"),
    "parts": (
        "component",
        "unit_id",
        "position",
        "quantity",
        "latest",
        "rate",
        "miles_to_limit",
        "expected",
        "low",
        "high",
    ),
    "work": ("unit_id", "position", "task", "due_miles", "due_date", "status", "why"),
    "set_aside": ("table", "file", "line", "column", "value", "reason"),
}
ALWAYS = {"component", "duty_cycle", "level", "factor"}


def clean_text(text: str) -> str:
    """Return text from data with every control and direction character replaced, so that it cannot steer a terminal."""
    return CONTROL.sub("\N{REPLACEMENT CHARACTER}", text.replace("\n", " ").replace("\t", " "))


def format_cell(value: Any) -> str:
    """Return one cell as a reader wants it: three significant digits, thousands marked, missing as a dash."""
    if isinstance(value, (list, tuple)):
        return "; ".join(format_cell(item) for item in value)
    if value is None or value is pd.NaT or (isinstance(value, float) and value != value):  # noqa: PLR0124
        return "–"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{value:,}"
    if isinstance(value, float):
        return _format_number(value)
    if isinstance(value, (pd.Timestamp, datetime, date)):
        return value.strftime("%Y-%m-%d")
    return clean_text(str(value))


def _format_number(value: float) -> str:
    if value == 0:
        return "0"
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    return f"{value:.3g}" if abs(value) >= 1e-4 else f"{value:.1e}"


def _console(*, stderr: bool = False) -> Console:
    """Return a console as wide as the terminal; where there is none (a pipe, a file) lines are not cut to fit."""
    stream = sys.stderr if stderr else sys.stdout
    return Console(
        stderr=stderr, highlight=False, soft_wrap=not stream.isatty(), width=None if stream.isatty() else 200
    )


def print_tables(tables: Mapping[str, pd.DataFrame], *, command: str, strata: tuple[str, ...] = ()) -> None:
    """Print each table of one command's answer, its first rows and main columns, on standard output."""
    console = _console()
    for name, frame in tables.items():
        if frame.empty:
            continue
        shown = frame.head(ROWS_SHOWN)
        columns = _columns_shown(_key(command, name), frame, strata)
        console.print(_draw(name, shown[columns]))
        if len(frame) > len(shown):
            console.print(Text(f"{len(frame) - len(shown):,} more rows: add --out DIR for all of them as CSV.", "dim"))


def _key(command: str, table: str) -> str:
    """Return what SHOWN calls a table: two answers may use one name for different columns."""
    return f"{command} {table}" if f"{command} {table}" in SHOWN else table


def _columns_shown(name: str, frame: pd.DataFrame, strata: tuple[str, ...]) -> list[str]:
    present = list(map(str, frame.columns))
    if name not in SHOWN:
        return present[:12]
    wanted = [*strata, *(column for column in SHOWN[name] if column not in strata)]
    return [column for column in wanted if column in present and (column in ALWAYS or frame[column].notna().any())]


def _draw(name: str, frame: pd.DataFrame) -> Table:
    table = Table(title=Text(name.replace("_", " ")), title_justify="left", box=None, pad_edge=False)
    for column in frame.columns:
        numeric = pd.api.types.is_numeric_dtype(frame[column])
        table.add_column(Text(str(column).replace("_", " ")), justify="right" if numeric else "left")
    for row in frame.itertuples(index=False, name=None):
        table.add_row(*(Text(format_cell(value)) for value in row))
    return table


def print_text(text: str) -> None:
    """Print one line of text on standard output."""
    _console().print(Text(clean_text(text)))


def print_cautions(cautions: tuple[str, ...]) -> None:
    """Print the cautions on standard error, one to a line."""
    console = _console(stderr=True)
    for text in cautions:
        console.print(Text("caution: ", "yellow") + Text(clean_text(text)))


def print_progress(text: str) -> None:
    """Print one step of long work on standard error."""
    _console(stderr=True).print(Text(clean_text(text), "dim"))


def print_problem(text: str) -> None:
    """Print why there is no answer on standard error, in one line."""
    sys.stderr.write(f"wearlab: {clean_text(text)}\n")

"""Results on a terminal: tables and cautions in words; the only door to rich."""

import sys
from collections.abc import Mapping

import pandas as pd
from rich.console import Console
from rich.table import Table
from rich.text import Text

from wearlab.show.document import show_text
from wearlab.show.figures import show_scale, show_sentence
from wearlab.show.layouts import LAYOUTS
from wearlab.show.tables import ShownTable, lay_out

PIPE_WIDTH = 200  # where there is no terminal: nothing is cut to fit a window that is not there


def _console(*, stderr: bool = False) -> Console:
    """Return a console as wide as the terminal; where there is none (a pipe, a file) lines are not cut to fit."""
    stream = sys.stderr if stderr else sys.stdout
    seen = stream.isatty()
    return Console(stderr=stderr, highlight=False, soft_wrap=not seen, width=None if seen else PIPE_WIDTH)


def print_tables(
    tables: Mapping[str, pd.DataFrame],
    *,
    command: str,
    scale: str = "miles",
    currency: str = "USD",
    strata: tuple[str, ...] = (),
    asked_for: tuple[str, ...] = (),
) -> None:
    """Print the tables of one command's answer as the report shows them, on standard output.

    Those that the report folds away and nobody ``asked_for``, and those made for drawing, are named in a last line.
    """
    console, units = _console(), {"scale": show_scale(scale), "currency": show_text(currency)}
    more = []
    for name, frame in tables.items():
        if frame.empty or name == "verdict":
            continue
        layout = LAYOUTS.get((command, name))
        if layout is None or (layout.folded and len(tables) > 1 and name not in asked_for):
            more.append(f"{name.replace('_', ' ')} ({len(frame):,})")
            continue
        first = strata if (command, name) == ("fit", "fits") else ()
        shown = lay_out(command, name, frame, section=name, units=units, strata=first)
        console.print(_draw(shown))
        if len(shown.rows) < shown.total:
            console.print(Text(f"{len(shown.rows):,} of {shown.total:,} rows", "dim"))
        console.print()
    if more:
        text = f"More tables (rows), whole with --json, or as CSV with --out DIR: {', '.join(more)}."
        console.print(Text(text, "dim"))


def _draw(shown: ShownTable) -> Table:
    table = Table(title=Text(shown.caption, "bold"), title_justify="left", box=None, pad_edge=False)
    for heading, numeric in shown.headings:
        table.add_column(Text(heading), justify="right" if numeric else "left", vertical="top")
    for row in shown.rows:
        table.add_row(*(Text(f"{cell.text} ({cell.span})" if cell.span else cell.text) for cell in row))
    return table


def print_text(text: str) -> None:
    """Print text on standard output, line by line."""
    console = _console()
    for line in text.split("\n"):
        console.print(Text(show_sentence(line)))


def print_cautions(cautions: tuple[str, ...]) -> None:
    """Print the cautions on standard error, one to a line."""
    console = _console(stderr=True)
    for text in cautions:
        console.print(Text("caution: ", "yellow") + Text(show_sentence(text)))


def print_progress(text: str) -> None:
    """Print one step of long work on standard error."""
    _console(stderr=True).print(Text(show_text(text), "dim"))


def print_problem(text: str) -> None:
    """Print why there is no answer on standard error, in one line."""
    sys.stderr.write(f"wearlab: {show_text(text)}\n")

"""Result tables of the studies of early failures and clusters, as Markdown beside their scripts."""

import platform
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import scipy


def write_result(
    name: str, about: str, tables: Mapping[str, Sequence[Mapping[str, object]]], seconds: float, fleets: int
) -> None:
    """Write ``name``.md: what was run, on what, and each table."""
    lines = [f"# {name}", "", about.strip(), ""]
    versions = f"Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}"
    ran = f"Command: `python -m tests.studies.{name} {fleets}`. {platform.machine()}, {versions}; {seconds:.0f} s."
    lines += [ran, ""]
    for title, rows in tables.items():
        lines += [f"## {title}", "", *_table(rows), ""]
    (Path(__file__).parent / f"{name}.md").write_text("\n".join(lines), encoding="utf-8")


def _table(rows: Sequence[Mapping[str, object]]) -> list[str]:
    names = list(rows[0])
    body = ["| " + " | ".join("" if row[n] is None else str(row[n]) for n in names) + " |" for row in rows]
    return ["| " + " | ".join(names) + " |", "|" + "---|" * len(names), *body]

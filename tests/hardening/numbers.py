"""Whether the numbers of an output can be: finite, shares within 0 to 1, and no interval without its estimate."""

import csv
import json
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

_SLACK = 1e-9  # of the size of the estimate: rounding of the last digits
_SHARES = ("p_value", "q_value", "p_adjusted", "probability", "probability_better", "share")
# The flat zone of a regrease interval is not an interval about an estimate; it holds the recommendation all the same
# unless something limits it.
_FREE = {("regrease", "low")}


def find_faults(document: Any, place: str = "") -> list[str]:
    """Return what cannot be in a document: each fault with the place where it stands."""
    return list(_walk(document, place, ""))


def find_faults_in_files(folder: Path) -> list[str]:
    """Return what cannot be in the JSON, CSV and pages of a folder of outputs: each fault with its file and place."""
    found: list[str] = []
    for path in sorted(folder.rglob("*")):
        if path.suffix in {".html", ".svg"}:
            found += [f"{path.name}: {word}" for word in _NO_NUMBER.findall(path.read_text(encoding="utf-8"))]
        elif path.suffix == ".json":
            found += find_faults(json.loads(path.read_text(encoding="utf-8")), path.name)
        elif path.suffix == ".csv":
            with path.open(encoding="utf-8", newline="") as stream:
                rows = [{name: _as_number(cell) for name, cell in row.items()} for row in csv.DictReader(stream)]
            found += find_faults({path.stem.rpartition("_")[2]: rows}, path.name)
    return found


_NO_NUMBER = re.compile(r"(?<![\w&])[-+]?(?:nan|inf|infinity)(?:px|%)?(?![\w-])", re.IGNORECASE)


def _as_number(cell: str | None) -> str | float | None:
    try:
        return float(cell or "x")
    except ValueError:
        return cell


def _walk(value: Any, place: str, table: str) -> Iterator[str]:
    if isinstance(value, dict):
        yield from _judge_row(value, place, table)
        for name, part in value.items():
            yield from _walk(part, f"{place}.{name}", table if isinstance(part, (int, float, str)) else name)
    elif isinstance(value, list):
        for number, part in enumerate(value):
            yield from _walk(part, f"{place}[{number}]", table)
    elif isinstance(value, float) and not abs(value) < float("inf"):
        yield f"{place} is {value}"


def _judge_row(row: dict[str, Any], place: str, table: str) -> Iterator[str]:
    for name, low in row.items():
        if isinstance(low, bool) or not isinstance(low, (int, float)):
            continue
        if name in _SHARES and not -_SLACK <= low <= 1 + _SLACK:
            yield f"{place}.{name} = {low} is no share"
        if name == "low" and (table, "low") not in _FREE:
            estimate = "probability" if "probability" in row else "expected"
            yield from _judge_interval(row, place, estimate, "low", "high")
        elif name.endswith("_low"):
            stem = name.removesuffix("_low")
            yield from _judge_interval(row, place, stem, name, f"{stem}_high")


def _judge_interval(row: dict[str, Any], place: str, estimate: str, low: str, high: str) -> Iterator[str]:
    values = [row.get(name) for name in (low, estimate, high)]
    known = [value for value in values if isinstance(value, (int, float)) and not isinstance(value, bool)]
    slack = _SLACK * max(map(abs, known), default=0.0)
    if any(first > second + slack for first, second in pairwise(known)):
        yield f"{place}: {low}, {estimate}, {high} are {values}"

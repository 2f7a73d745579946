"""Reference limits for shaft angles and speeds, as data: a starting point to be edited, each with where it stands."""

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import pandas as pd

from wearlab.evidence import DataError

FILE = Path(__file__).with_name("references.csv")
MOST = {"deg": 45.0, "share": 1.0}  # what a value in this unit can be at most


@dataclass(frozen=True, slots=True)
class Reference:
    """One limit with its unit and its source; ``own`` where it is not the one that is shipped."""

    name: str
    value: float
    unit: str
    source: str
    own: bool = False


@dataclass(frozen=True, slots=True)
class References:
    """The limits that a line of joints is held against, in the order in which they are printed."""

    rows: tuple[Reference, ...]

    def __getitem__(self, name: str) -> Reference:
        """Return one limit by its name; KeyError for a name that is not there."""
        found = next((row for row in self.rows if row.name == name), None)
        if found is None:
            raise KeyError(name)
        return found

    def table(self) -> pd.DataFrame:
        """Return the limits as a table: name, value, unit, source, own."""
        rows = [(row.name, row.value, row.unit, row.source, row.own) for row in self.rows]
        return pd.DataFrame(rows, columns=["name", "value", "unit", "source", "own"])


def read_references() -> References:
    """Return the limits as shipped in ``references.csv``: name, value, unit, source."""
    with FILE.open(encoding="utf-8", newline="") as file:
        return References(
            tuple(
                Reference(row["name"], float(row["value"]), row["unit"], row["source"]) for row in csv.DictReader(file)
            )
        )


def edit_references(edits: Iterable[Reference]) -> References:
    """Return the shipped limits with a fleet's own in the place of those of the same name.

    Refuses (DataError) a name that is not known, another unit than the shipped one, a value that cannot be right, a
    limit without a source, and one given twice.
    """
    shipped, own = read_references(), {}
    names = [row.name for row in shipped.rows]
    for edit in edits:
        if edit.name not in names:
            near = get_close_matches(edit.name, names, n=1, cutoff=0.5)
            fix = f"did you mean {near[0]}?" if near else f"the limits known here: {', '.join(names)}"
            raise _refuse(f"there is no limit {edit.name[:40]!r}", fix)
        unit = shipped[edit.name].unit
        if edit.unit != unit:
            raise _refuse(
                f"the limit {edit.name} is in {unit}, not in {edit.unit[:20]!r}", f'give it with unit = "{unit}"'
            )
        if not 0 < edit.value <= MOST.get(unit, 1e6):
            raise _refuse(f"{edit.value:g} {unit} cannot be right for {edit.name}", "give the value in the unit named")
        if not edit.source.strip():
            raise _refuse(f"the limit {edit.name} has no source", "say where the figure stands: source = ...")
        if edit.name in own:
            raise _refuse(f"the limit {edit.name} is given twice", "give it once")
        own[edit.name] = Reference(edit.name, edit.value, unit, edit.source, own=True)
    return References(tuple(own.get(row.name, row) for row in shipped.rows))


def _refuse(text: str, fix: str) -> DataError:
    return DataError("bad-limit", text, fix, "fleet.toml", column="driveline.limits")

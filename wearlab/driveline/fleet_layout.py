"""Angles entered per unit, loaded and unloaded, against reference limits: which trucks, and what mends them."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from wearlab.driveline.check import NOT_A_DESIGN_TOOL
from wearlab.driveline.kinematics import Joint
from wearlab.driveline.layout import Row, check_angles
from wearlab.driveline.references import References
from wearlab.driveline.spectra import read_numbers
from wearlab.evidence import SAFETY, Basis, Caution, DataError

REQUIRED = ("unit_id", "joint", "angle_deg")
NUMBERS = ("joint", "angle_deg", "unloaded_angle_deg", "plane_deg", "phase_deg", "speed_rpm")
CHANGES = ("unit_id", "line", "state", "check", "joint", "value", "limit", "unit", "change_deg", "text", "source")


@dataclass(frozen=True, slots=True)
class LayoutCheck:
    """Every line of joints of every unit against the reference limits.

    ``lines``: unit_id, line, joints, speed_rpm, checks, out_of_range, worst (what is furthest out, and its change).
    ``changes``: one row per limit that is not kept: unit_id, line,
    state, check, joint, value, limit, unit, change_deg, text, source.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    lines: pd.DataFrame
    changes: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by name."""
        return {"lines": self.lines, "changes": self.changes}


def read_angles(path: Path) -> pd.DataFrame:
    """Return a table of measured angles from CSV, one row per joint, checked.

    Columns: unit_id, joint (1, 2, ... front to rear), angle_deg (loaded) and, if given, unloaded_angle_deg, plane_deg,
    phase_deg, speed_rpm and line (for trucks with more than one line of joints). Refuses (DataError) missing columns,
    values that are not numbers, angles outside 0 to 45 degrees, and a joint entered twice.
    """
    table = read_numbers(path, REQUIRED, NUMBERS, example="unit_id, joint, angle_deg, unloaded_angle_deg")
    if "line" not in table.columns:
        table["line"] = "main"
    for name in ("angle_deg", "unloaded_angle_deg"):
        if name in table.columns:
            given = table[name].to_numpy(dtype=float)
            wrong = np.flatnonzero((given < 0) | (given > 45) | (np.isnan(given) if name == "angle_deg" else False))
            if len(wrong):
                text = "a joint angle is missing or outside 0 to 45 degrees"
                raise DataError("bad-angle", text, "give it in degrees", path.name, int(wrong[0]) + 2, name)
    twice = np.flatnonzero(table.duplicated(["unit_id", "line", "joint"]).to_numpy())
    if len(twice):
        raise DataError(
            "joint-twice", "this joint of this unit was entered before", "keep one row", path.name, int(twice[0]) + 2
        )
    return table


def check_layouts(
    angles: pd.DataFrame, *, speed_rpm: float, references: References | None = None, source: str = "angles"
) -> LayoutCheck:
    """Return which units' angles are out of range, and the least change of angle that brings each in.

    ``speed_rpm`` is the highest steady shaft speed, where a unit does not give its own. Refuses an empty table.
    """
    if angles.empty:
        raise DataError("no-rows", "the table of angles has no rows", "one row per unit and joint", source)
    limits = references or References()
    lines, changes = [], []
    for (unit, line), rows in angles.groupby(["unit_id", "line"], sort=True):
        speed = float(rows["speed_rpm"].max()) if "speed_rpm" in rows and rows["speed_rpm"].notna().any() else speed_rpm
        found = [row for state, joints in _states(rows.sort_values("joint")) for row in
                 check_angles(speed, state, joints, limits)]  # fmt: skip
        out = [{"unit_id": unit, "line": line, **row} for row in found if not row["within"]]
        changes += out
        lines.append(
            {
                "unit_id": unit,
                "line": line,
                "joints": len(rows),
                "speed_rpm": speed,
                "checks": len(found),
                "out_of_range": len(out),
                "worst": max(out, key=_by_excess)["text"] if out else "",
            }
        )
    return LayoutCheck(
        Basis(source, (), None, "turns", 0.9, (), 0, 0),
        _cautions(angles),
        pd.DataFrame(lines),
        pd.DataFrame(changes).reindex(columns=list(CHANGES)),
    )


def _by_excess(row: Row) -> float:
    value, limit = float(str(row["value"])), float(str(row["limit"]))
    return max(value / limit, limit / value if value > 0 else np.inf) if limit > 0 else np.inf


def _states(rows: pd.DataFrame) -> list[tuple[str, tuple[Joint, ...]]]:
    zeros = pd.Series(0.0, index=rows.index)
    planes, phases = (rows.get(name, zeros).fillna(0.0) for name in ("plane_deg", "phase_deg"))

    def line(angles: pd.Series) -> tuple[Joint, ...]:
        return tuple(Joint(float(a), float(p), float(q)) for a, p, q in zip(angles, planes, phases, strict=True))

    states = [("loaded", line(rows["angle_deg"]))]
    if "unloaded_angle_deg" in rows and rows["unloaded_angle_deg"].notna().all():
        states.append(("unloaded", line(rows["unloaded_angle_deg"])))
    return states


def _cautions(angles: pd.DataFrame) -> tuple[Caution, ...]:
    both = "unloaded_angle_deg" in angles and angles["unloaded_angle_deg"].notna().all()
    text = "Angles are needed loaded and unloaded: some units were measured in one state only."
    one = () if both else (Caution("one-state", text),)
    each = Caution("one-at-a-time", "Each change of angle is the least one for its own check, taken alone.")
    measuring = Caution(
        "measuring",
        "Measure to 0.25 degrees, on level ground, tires at pressure (common practice, no source).",
    )
    return (*one, each, measuring, NOT_A_DESIGN_TOOL, SAFETY)

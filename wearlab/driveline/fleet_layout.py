"""Angles entered per unit, loaded and unloaded, against reference limits: which trucks, and what mends them."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from wearlab.driveline.check import NOT_A_DESIGN_TOOL, ONE_AT_A_TIME, Line
from wearlab.driveline.kinematics import Joint
from wearlab.driveline.layout import Row, check_angles, check_tube
from wearlab.driveline.loads import Tube
from wearlab.driveline.references import References, read_references
from wearlab.driveline.spectra import read_numbers
from wearlab.driveline.suggest import SUGGESTED, Suggestion, suggest_changes
from wearlab.evidence import SAFETY, Basis, Caution, DataError

REQUIRED = ("unit_id", "joint", "angle_deg")
TUBE = ("tube_outer_mm", "tube_wall_mm", "tube_length_mm")
NUMBERS = ("joint", "angle_deg", "unloaded_angle_deg", "plane_deg", "phase_deg", "speed_rpm", *TUBE)
TUBES = (
    *("unit_id", "line", "behind_joint", "outer_mm", "wall_mm", "length_mm", "speed_rpm"),
    *("critical_rpm", "share", "limit", "within"),
)
CHANGES = ("unit_id", "line", "state", "check", "joint", "value", "limit", "unit", "change_deg", "text", "source")


@dataclass(frozen=True, slots=True)
class LayoutCheck:
    """Every line of joints of every unit against the reference limits; ``speeds_given`` lines gave their own speed.

    ``lines``: unit_id, line, joints, speed_rpm, checks, out_of_range, worst (what is furthest out, and its change),
    together (what brings all angles of the line in, in words).
    ``suggested``: unit_id, line and the columns of ``suggest.SUGGESTED``, one row per joint to change.
    ``tubes``, where tubes were measured: unit_id, line, behind_joint, outer_mm, wall_mm, length_mm, speed_rpm,
    critical_rpm, share (of the critical speed), limit, within. ``references`` as in a DrivelineCheck.
    ``changes``: one row per limit that is not kept: unit_id, line,
    state, check, joint, value, limit, unit, change_deg, text, source.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    speeds_given: int
    lines: pd.DataFrame
    changes: pd.DataFrame
    suggested: pd.DataFrame
    tubes: pd.DataFrame
    references: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by name."""
        return {name: getattr(self, name) for name in ("lines", "changes", "suggested", "tubes", "references")}


def read_angles(path: Path) -> pd.DataFrame:
    """Return a table of measured angles from CSV, one row per joint, checked.

    Columns: unit_id, joint (1, 2, ... front to rear), angle_deg (loaded) and, if given, unloaded_angle_deg, plane_deg,
    phase_deg, speed_rpm, line (for trucks with more than one line of joints), and of the tube behind the joint
    tube_outer_mm, tube_wall_mm, tube_length_mm. Refuses (DataError) missing columns, values that are not numbers,
    angles outside 0 to 45 degrees, a tube that cannot be, a speed that is not above 0, and a joint entered twice.
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
    _refuse_tubes(table, path.name)
    if "speed_rpm" in table.columns:
        slow = np.flatnonzero(table["speed_rpm"].to_numpy(dtype=float) <= 0)
        if len(slow):
            text = "the shaft speed is not above 0"
            raise DataError("bad-speed", text, "give turns a minute", path.name, int(slow[0]) + 2, "speed_rpm")
    twice = np.flatnonzero(table.duplicated(["unit_id", "line", "joint"]).to_numpy())
    if len(twice):
        raise DataError(
            "joint-twice", "this joint of this unit was entered before", "keep one row", path.name, int(twice[0]) + 2
        )
    return table


def _refuse_tubes(table: pd.DataFrame, file: str) -> None:
    given = table.reindex(columns=list(TUBE)).to_numpy(dtype=float)
    some, whole = np.isfinite(given).any(axis=1), np.isfinite(given).all(axis=1)
    with np.errstate(invalid="ignore"):
        fits = (given > 0).all(axis=1) & (2 * given[:, 1] < given[:, 0])
    wrong = np.flatnonzero(some & ~(whole & fits))
    if len(wrong):
        text = "outer diameter, wall and length of the tube are not all given, or do not fit together"
        raise DataError("bad-tube", text, "give all three in mm, or none", file, int(wrong[0]) + 2, TUBE[0])


def check_layouts(
    angles: pd.DataFrame, *, speed_rpm: float, references: References | None = None, source: str = "angles"
) -> LayoutCheck:
    """Return which units' angles are out of range, and the least change of angle that brings each in.

    ``speed_rpm`` is the highest steady shaft speed, where a unit does not give its own. Refuses an empty table.
    """
    if angles.empty:
        raise DataError("no-rows", "the table of angles has no rows", "one row per unit and joint", source)
    limits = references or read_references()
    ordered = angles.sort_values("joint", kind="stable")
    lines, changes, suggested, tubes = [], [], [], []
    for (unit, name), rows in ordered.groupby(["unit_id", "line"], sort=True):
        who = {"unit_id": unit, "line": name}
        line = _read_line(rows, speed_rpm)
        out, one = _check_line(line, limits)
        lines.append(who | one)
        changes += [who | row for row in out]
        tubes += [who | row for row in _describe_tubes(line, limits)]
        if out:
            best = suggest_changes(line.speed_rpm, line.joints, limits)
            lines[-1]["together"] = best.text or _in_words(best)
            suggested += [who | dict(zip(SUGGESTED, row, strict=True)) for row in best.rows(line.joints)]
    return LayoutCheck(
        Basis(source, (), None, "turns", 0.9, (), 0, 0),
        _cautions(angles),
        _count_speeds(ordered),
        pd.DataFrame(lines),
        pd.DataFrame(changes).reindex(columns=list(CHANGES)),
        pd.DataFrame(suggested).reindex(columns=["unit_id", "line", *SUGGESTED]),
        pd.DataFrame(tubes).reindex(columns=list(TUBES)),
        limits.table(),
    )


def _count_speeds(angles: pd.DataFrame) -> int:
    """Return on how many lines a shaft speed was given."""
    if "speed_rpm" not in angles.columns:
        return 0
    return int(angles.groupby(["unit_id", "line"])["speed_rpm"].count().gt(0).sum())


def worst_line(angles: pd.DataFrame, found: LayoutCheck) -> tuple[Line, str] | None:
    """Return the line that is out of most limits and whose it is, to be looked at by itself; None: none is out."""
    out = found.lines.sort_values(["out_of_range", "unit_id", "line"], ascending=[False, True, True], kind="stable")
    if out.empty or out["out_of_range"].iloc[0] == 0:
        return None
    unit, name, speed = out[["unit_id", "line", "speed_rpm"]].iloc[0]
    rows = angles[(angles["unit_id"] == unit) & (angles["line"] == name)].sort_values("joint", kind="stable")
    line = _read_line(rows, float(speed))
    unloaded = tuple(joint.angle_deg for joint in line.joints[1]) if len(line.joints) > 1 else None
    return Line(line.speed_rpm, line.joints[0], unloaded_angles_deg=unloaded), f"angles.csv, truck {unit}, line {name}"


@dataclass(frozen=True, slots=True)
class _Measured:
    """One line of one unit: its joints in each state of load, the names of the states, and its tubes by joint."""

    speed_rpm: float
    states: tuple[str, ...]
    joints: tuple[tuple[Joint, ...], ...]
    tubes: tuple[tuple[int, Tube], ...]


def _read_line(rows: pd.DataFrame, speed_rpm: float) -> _Measured:
    own = rows["speed_rpm"].max() if "speed_rpm" in rows else np.nan
    states = _states(rows)
    given = rows.reindex(columns=["joint", *TUBE]).dropna()
    tubes = tuple((int(joint), Tube(*size)) for joint, *size in given.itertuples(index=False, name=None))
    names, joints = zip(*states, strict=True)
    return _Measured(float(own) if np.isfinite(own) else speed_rpm, names, joints, tubes)


def _check_line(line: _Measured, limits: References) -> tuple[list[Row], Row]:
    """Return what is out of range on one line, and the line's row."""
    named = zip(line.states, line.joints, strict=True)
    found = [row for state, joints in named for row in check_angles(line.speed_rpm, state, joints, limits)]
    found += [row for joint, tube in line.tubes for row in check_tube(line.speed_rpm, tube, limits, joint=joint)]
    out = [row for row in found if not row["within"]]
    one: Row = {
        "joints": len(line.joints[0]),
        "speed_rpm": line.speed_rpm,
        "checks": len(found),
        "out_of_range": len(out),
        "worst": max(out, key=_by_excess)["text"] if out else "",
        "together": "",
    }
    return out, one


def _describe_tubes(line: _Measured, limits: References) -> list[Row]:
    """Return the tubes of one line that were measured, with their critical speeds."""
    limit, rows = limits["share_of_critical_speed"].value, list[Row]()
    for joint, tube in line.tubes:
        critical = tube.critical_speed_rpm()
        share = line.speed_rpm / critical
        sizes = (tube.outer_mm, tube.wall_mm, tube.length_mm)
        values = (joint, *sizes, line.speed_rpm, critical, share, limit, share <= limit)
        rows.append(dict(zip(TUBES[2:], values, strict=True)))
    return rows


def _in_words(found: Suggestion) -> str:
    """Return what to change on a line, as a person would say it."""
    changes = enumerate(found.changes or (), start=1)
    return ", ".join(
        f"{'open' if change > 0 else 'reduce'} joint {joint} by {abs(change):.2f} degrees"
        for joint, change in changes
        if change
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
    measuring = Caution(
        "measuring",
        "Measure to 0.25 degrees, on level ground, tires at pressure (US Army TM 5-3820-256-24-4, installation of the "
        "drive shaft).",
    )
    return (*one, ONE_AT_A_TIME, measuring, NOT_A_DESIGN_TOOL, SAFETY)

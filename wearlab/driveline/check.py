"""One line of joints checked: motion, acceleration, couples, spline force, critical speed, and what is out of range."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from wearlab.driveline.kinematics import (
    RAD_PER_S,
    Joint,
    from_the_rear,
    half_turn,
    peak_acceleration,
    residual_angle,
    secondary_couples,
    turn_line,
)
from wearlab.driveline.layout import check_angles, check_tube
from wearlab.driveline.loads import Tube, joint_cycles_per_mile, sliding_work, spline_axial_force
from wearlab.driveline.references import References, read_references
from wearlab.driveline.suggest import SUGGESTED, Suggestion, suggest_changes
from wearlab.evidence import SAFETY, Basis, Caution, DataError

NOT_A_DESIGN_TOOL = Caution(
    "not-a-design-tool",
    "Angles, speeds and loads are compared with reference limits that you can edit; this is no design tool. The "
    "maker's application approval and published limits stand.",
)
ONE_AT_A_TIME = Caution(
    "one-at-a-time",
    "Each change of angle beside a check is the least one for that check, taken alone. Turning one part of the line "
    "often changes the angle of the next joint too: measure and check again after any change.",
)
RATIOS_ONLY = Caution(
    "ratios-only",
    "Published constants for joint life differ twofold, so only ratios between duties are given, never hours or miles.",
)
SPLINE_STATES = ("well_greased", "dry", "galled")


TABLES = ("checks", "mended", "joints", "shafts", "figures", "turn", "references")


@dataclass(frozen=True, slots=True)
class Slip:
    """A slip spline: pitch radius and travel of one stroke, in millimetres."""

    pitch_radius_mm: float
    travel_mm: float = 10.0


@dataclass(frozen=True, slots=True)
class Line:
    """A line of joints front to rear and what turns it; None = not given, and what needs it is left out.

    ``joints`` are the angles as loaded; ``unloaded_angles_deg`` the same joints without load, where measured. Torque is
    at the first joint, in N·m.
    """

    speed_rpm: float
    joints: tuple[Joint, ...]
    unloaded_angles_deg: tuple[float, ...] | None = None
    torque_nm: float | None = None
    axle_ratio: float | None = None
    tire_turns_per_mile: float | None = None
    tube: Tube | None = None
    slip: Slip | None = None


@dataclass(frozen=True, slots=True)
class DrivelineCheck:
    """What one line of joints does, against reference limits.

    ``joints``: joint, state, angle_deg, ratio_low, ratio_high, speed_swing (of the mean speed, slowest to fastest),
    acceleration, driving_couple_nm, driven_couple_nm.
    ``shafts``: behind_joint, state, drive_residual_deg, drive_acceleration, coast_residual_deg, coast_acceleration.
    ``checks``: check, state, joint, value, limit, unit, within, change_deg, text, source (one row per limit looked at;
    ``change_deg`` is the least change of that joint's angle that brings it in, missing where none does).
    ``mended``: joint, angle_deg, change_deg, becomes_deg (and unloaded), the least changes that keep every limit
    together; empty where none are needed or none were found (a caution says so).
    ``turn``: state, behind_joint, turn_deg, ratio, acceleration. ``figures`` and ``references``: name, value, unit,
    source.
    Accelerations in rad/s², couples in N·m.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    line: Line
    joints: pd.DataFrame
    shafts: pd.DataFrame
    checks: pd.DataFrame
    mended: pd.DataFrame
    turn: pd.DataFrame
    figures: pd.DataFrame
    references: pd.DataFrame = field(repr=False)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by name."""
        return {name: getattr(self, name) for name in TABLES}


def check_driveline(line: Line, *, references: References | None = None, source: str = "given") -> DrivelineCheck:
    """Return what one line of joints does at its speed, and what is out of the reference limits.

    Refuses (DataError) no joints, angles outside 0 to 45 degrees, a speed that is not positive, and unloaded angles
    that are not as many as the joints.
    """
    _refuse_nonsense(line)
    limits = references or read_references()
    states = _states(line)
    cautions: tuple[Caution, ...] = (NOT_A_DESIGN_TOOL, RATIOS_ONLY, SAFETY)
    if line.unloaded_angles_deg is None:
        cautions = (
            Caution("one-state", "Angles are needed loaded and unloaded: only one state was given."),
            *cautions,
        )
    checks = [row for state, joints in states for row in check_angles(line.speed_rpm, state, joints, limits)]
    if line.tube is not None:
        checks += check_tube(line.speed_rpm, line.tube, limits)
    suggested = Suggestion(None, "")
    if not all(row["within"] for row in checks):
        cautions = (ONE_AT_A_TIME, *cautions)
        suggested = suggest_changes(line.speed_rpm, tuple(joints for _, joints in states), limits)
        if suggested.text:
            cautions = (Caution("no-suggestion", suggested.text), *cautions)
    return DrivelineCheck(
        basis=Basis(source, (), None, "turns", 0.9, (), 0, 0),
        cautions=cautions,
        line=line,
        joints=pd.DataFrame([row for state, joints in states for row in _describe_joints(line, state, joints)]),
        shafts=pd.DataFrame([row for state, joints in states for row in _describe_shafts(line, state, joints)]),
        checks=pd.DataFrame(checks),
        mended=pd.DataFrame(suggested.rows(tuple(joints for _, joints in states)), columns=list(SUGGESTED)),
        turn=pd.concat([_draw_turn(line, state, joints) for state, joints in states], ignore_index=True),
        figures=pd.DataFrame(_figures(line, limits), columns=["name", "value", "unit", "source"]),
        references=limits.table(),
    )


def _refuse_nonsense(line: Line) -> None:
    angles = [joint.angle_deg for joint in line.joints] + list(line.unloaded_angles_deg or ())
    if not line.joints:
        raise DataError("no-joints", "no joint angle was given", "give one angle per joint, front to rear")
    if not all(0 <= angle <= 45 for angle in angles):
        raise DataError("bad-angle", "a joint angle is outside 0 to 45 degrees", "give joint angles in degrees")
    if not 0 < line.speed_rpm < np.inf:
        raise DataError("bad-speed", "the shaft speed is not above 0", "give the shaft speed in turns a minute")
    if line.unloaded_angles_deg is not None and len(line.unloaded_angles_deg) != len(line.joints):
        raise DataError(
            "unequal-angles",
            f"{len(line.joints)} loaded angles and {len(line.unloaded_angles_deg)} unloaded ones",
            "give both for every joint, front to rear",
        )
    if line.tube is not None and not (0 < 2 * line.tube.wall_mm < line.tube.outer_mm and line.tube.length_mm > 0):
        raise DataError("bad-tube", "the tube's wall, diameter and length do not fit together", "give them in mm")


def _states(line: Line) -> list[tuple[str, tuple[Joint, ...]]]:
    states = [("loaded", line.joints)]
    if line.unloaded_angles_deg is not None:
        unloaded = zip(line.joints, line.unloaded_angles_deg, strict=True)
        states.append(("unloaded", tuple(Joint(angle, one.plane_deg, one.phase_deg) for one, angle in unloaded)))
    return states


def _describe_joints(line: Line, state: str, joints: tuple[Joint, ...]) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for number, joint in enumerate(joints, start=1):
        ratio = float(np.cos(np.radians(joint.angle_deg)))
        torque = np.nan if line.torque_nm is None else line.torque_nm
        driving, driven = secondary_couples(torque, joint.angle_deg)
        rows.append(
            {
                "joint": number,
                "state": state,
                "angle_deg": joint.angle_deg,
                "ratio_low": ratio,
                "ratio_high": 1 / ratio,
                "speed_swing": 1 / ratio - ratio,
                "acceleration": peak_acceleration(line.speed_rpm, np.radians(joint.angle_deg)),
                "driving_couple_nm": driving,
                "driven_couple_nm": driven,
            }
        )
    return rows


def _describe_shafts(line: Line, state: str, joints: tuple[Joint, ...]) -> list[dict[str, object]]:
    """Return residual angle and acceleration of the shaft behind each joint, driven from the front and the rear."""
    turn = half_turn()
    square = (line.speed_rpm * RAD_PER_S) ** 2
    driven = np.abs(turn_line(joints, turn)[2]).max(axis=1) * square
    rearward = from_the_rear(joints)
    coasting = np.abs(turn_line(rearward, turn)[2]).max(axis=1) * square
    rows: list[dict[str, object]] = []
    for number in range(1, len(joints) + 1):
        behind = len(joints) - number  # joints between this shaft and the axle
        rows.append(
            {
                "behind_joint": number,
                "state": state,
                "drive_residual_deg": residual_angle(joints[:number]),
                "drive_acceleration": float(driven[number - 1]),
                "coast_residual_deg": residual_angle(rearward[:behind]),
                "coast_acceleration": float(coasting[behind - 1]) if behind else 0.0,
            }
        )
    return rows


def _draw_turn(line: Line, state: str, joints: tuple[Joint, ...]) -> pd.DataFrame:
    turn = np.linspace(0, 2 * np.pi, 181)
    _, ratio, slope = turn_line(joints, turn)
    count = len(joints)
    return pd.DataFrame(
        {
            "state": state,
            "behind_joint": np.repeat(np.arange(1, count + 1), len(turn)),
            "turn_deg": np.tile(np.degrees(turn), count),
            "ratio": ratio.ravel(),
            "acceleration": slope.ravel() * (line.speed_rpm * RAD_PER_S) ** 2,
        }
    )


def _figures(line: Line, limits: References) -> list[tuple[str, float, str, str]]:
    """Return the single numbers of a line; those that need what was not given are left out."""
    rows: list[tuple[str, float, str, str]] = []
    if line.axle_ratio is not None and line.tire_turns_per_mile is not None:
        cycles = joint_cycles_per_mile(line.axle_ratio, line.tire_turns_per_mile)
        rows.append(("joint_cycles_per_mile", cycles, "1/mi", "axle ratio times tire turns per mile"))
        rows.append(("road_speed", line.speed_rpm * 60 / cycles, "mph", "shaft speed over turns per mile"))
    if line.slip is not None and line.torque_nm is not None:
        for name in SPLINE_STATES:
            friction = limits[f"friction_{name}"]
            force = spline_axial_force(line.torque_nm, line.slip.pitch_radius_mm, friction.value)
            source = f"Coulomb, friction {friction.value:g}: {friction.source}"
            rows.append((f"spline_force_{name}", force, "N", source))
            work = sliding_work(force, line.slip.travel_mm, 1)
            rows.append((f"spline_work_per_stroke_{name}", work, "J", f"force times travel; {source}"))
    if line.tube is not None:
        critical = line.tube.critical_speed_rpm()
        beam = "Rayleigh, uniform tube on two pins"
        rows.append(("critical_speed", critical, "rpm", beam))
        rows.append(("share_of_critical_speed", line.speed_rpm / critical, "share", beam))
    return rows

"""Angles of a line against reference limits: what is out of range, and what change of angle brings it in."""

import numpy as np

from wearlab.driveline.kinematics import (
    RAD_PER_S,
    Joint,
    angle_for_acceleration,
    half_turn,
    peak_acceleration,
    residual_angle,
    turn_line,
)
from wearlab.driveline.loads import Tube
from wearlab.driveline.references import References

Row = dict[str, object]
CLOSE = 1e-9  # degrees: what rounding of sums may make of an angle


def check_angles(speed_rpm: float, state: str, joints: tuple[Joint, ...], limits: References) -> list[Row]:
    """Return one row per limit that the angles of one line are held against, in one state of load."""
    rows: list[Row] = []
    for number, joint in enumerate(joints, start=1):
        rows += _check_angle(speed_rpm, state, number, joint, limits)
    rows += [_check_phase(state, number, joint, limits) for number, joint in enumerate(joints[1:], start=2)]
    if len(joints) > 1:
        rows.append(_check_mismatch(state, len(joints), joints[-2], joints[-1], limits))
    rows.append(_check_torsion(speed_rpm, state, joints, limits))
    return rows


def _row(
    check: str, state: str, joint: int | None, *, value: float, limit: float, unit: str, within: bool, source: str
) -> Row:
    return {
        "check": check,
        "state": state,
        "joint": joint,
        "value": value,
        "limit": limit,
        "unit": unit,
        "within": within,
        "change_deg": 0.0 if within else np.nan,
        "text": "",
        "source": source,
    }


def _check_angle(speed_rpm: float, state: str, number: int, joint: Joint, limits: References) -> list[Row]:
    angle, least, most = joint.angle_deg, limits["least_angle"], limits["preferred_angle"]
    low = _row("least_angle", state, number, value=angle, limit=least.value, unit="deg",
               within=angle >= least.value - CLOSE, source=least.source)  # fmt: skip
    if not low["within"]:
        low |= _change(least.value - angle, number, "so that the rollers move and carry grease")
    high = _row("preferred_angle", state, number, value=angle, limit=most.value, unit="deg",
                within=angle <= most.value + CLOSE, source=most.source)  # fmt: skip
    if not high["within"]:
        high |= _change(most.value - angle, number, "where the layout allows")
    shake = peak_acceleration(speed_rpm, np.radians(angle))
    inertial = limits["inertial_acceleration"]
    ceiling = angle_for_acceleration(speed_rpm, inertial.value)
    fast = _row("inertial_acceleration", state, number, value=shake, limit=inertial.value, unit=inertial.unit,
                within=shake <= inertial.value, source=inertial.source)  # fmt: skip
    if shake > inertial.value:
        fast |= _change(ceiling - angle, number, f"at {speed_rpm:,.0f} turns a minute")
    return [low, high, fast]


def _change(change: float, number: int, why: str) -> Row:
    way = "open" if change > 0 else "reduce"
    return {"change_deg": change, "text": f"{way} the angle of joint {number} by {abs(change):.2f} degrees {why}"}


def _check_mismatch(state: str, number: int, front: Joint, rear: Joint, limits: References) -> Row:
    apart = rear.angle_deg - front.angle_deg
    limit = limits["mismatch"]
    row = _row("mismatch", state, number, value=abs(apart), limit=limit.value, unit="deg",
               within=abs(apart) <= limit.value + CLOSE, source=limit.source)  # fmt: skip
    if not row["within"]:
        row |= _change(np.sign(apart) * limit.value - apart, number, f"to match joint {number - 1}")
    return row


def _check_phase(state: str, number: int, joint: Joint, limits: References) -> Row:
    apart, limit = abs((joint.phase_deg + 90) % 180 - 90), limits["phase"]
    row = _row("phase", state, number, value=apart, limit=limit.value, unit="deg",
               within=apart <= limit.value, source=limit.source)  # fmt: skip
    if apart > limit.value:
        row |= {"text": f"the yokes before joint {number} are out of phase: put the shaft together in line"}
    return row


def _check_torsion(speed_rpm: float, state: str, joints: tuple[Joint, ...], limits: References) -> Row:
    turn = half_turn()
    slope = np.abs(turn_line(joints, turn)[2][-1]).max()
    value = float(slope * (speed_rpm * RAD_PER_S) ** 2)
    limit = limits["torsional_acceleration"]
    row = _row("torsional_acceleration", state, len(joints), value=value, limit=limit.value, unit=limit.unit,
               within=value <= limit.value, source=limit.source)  # fmt: skip
    if value > limit.value:
        change = _last_angle_change(speed_rpm, joints, limit.value)
        if change is None:
            row |= {"text": "no angle of the last joint alone brings it in: look at the others, planes and phases"}
        else:
            row |= _change(change, len(joints), "to let the joints cancel")
    return row


def _last_angle_change(speed_rpm: float, joints: tuple[Joint, ...], limit: float) -> float | None:
    """Return the least change of the last joint's angle that brings the last shaft under an acceleration limit.

    Searched on the exact motion at hundredths of a degree from 0 to 15.
    """
    turn = half_turn()
    square = (speed_rpm * RAD_PER_S) ** 2
    last = joints[-1]
    choices = np.arange(0.0, 15.0, 0.01)
    nearest = choices[np.argsort(np.abs(choices - last.angle_deg), kind="stable")]
    rough = np.radians(np.array([residual_angle((*joints[:-1], Joint(angle, last.plane_deg, last.phase_deg)))
                                 for angle in nearest]))  # fmt: skip
    for angle in nearest[square * rough**2 <= limit * 1.02]:
        line = (*joints[:-1], Joint(float(angle), last.plane_deg, last.phase_deg))
        if square * np.abs(turn_line(line, turn)[2][-1]).max() <= limit:
            return float(angle - last.angle_deg)
    return None


def check_tube(speed_rpm: float, tube: Tube, limits: References, *, joint: int | None = None) -> list[Row]:
    """Return the row that holds the speed against a tube's critical speed; ``joint`` is the one before the tube."""
    critical, share = tube.critical_speed_rpm(), limits["share_of_critical_speed"]
    most = share.value * critical
    row = _row("critical_speed", "", joint, value=speed_rpm, limit=most, unit="rpm", within=speed_rpm <= most,
               source=share.source)  # fmt: skip
    if speed_rpm > most:
        length = tube.length_mm * np.sqrt(most / speed_rpm)
        row |= {"text": f"too near the critical speed of {critical:,.0f}: not longer than {length:,.0f} mm, or a wider "
                        "tube, or a center bearing"}  # fmt: skip
    return [row]

"""A line of joints as it is typed: lists of numbers, front to rear."""

from math import isfinite

from wearlab.driveline.check import Line, Slip
from wearlab.driveline.kinematics import Joint
from wearlab.driveline.loads import Tube
from wearlab.evidence import DataError


def read_line(  # noqa: PLR0913 - one text per thing that may be typed
    speed_rpm: float,
    angles: str,
    *,
    unloaded: str | None = None,
    phases: str | None = None,
    planes: str | None = None,
    torque_nm: float | None = None,
    drive: str | None = None,
    tube: str | None = None,
    spline: str | None = None,
) -> Line:
    """Return the line that the texts describe; each is a list of numbers separated by commas.

    ``angles`` and ``unloaded``: degrees per joint, front to rear. ``phases``: degrees, one fewer than joints, or one
    per joint (the first is of no account). ``planes``: likewise, the turn of each joint's plane against that of the
    joint before it. ``drive``: axle ratio, tire turns per mile. ``tube``: outer diameter, wall,
    length in mm. ``spline``: pitch radius and, if known, travel per stroke in mm. Refuses (DataError) other lists.
    """
    loaded = _numbers(angles, "angles", "5,3.5")
    turned, tilted = _between(phases, "phases", len(loaded)), _between(planes, "planes", len(loaded))
    joints = tuple(Joint(*one) for one in zip(loaded, tilted, turned, strict=True))
    ratio, turns = (None, None) if drive is None else _numbers(drive, "drive", "3.55,513", sizes=(2,))
    return Line(
        speed_rpm=speed_rpm,
        joints=joints,
        unloaded_angles_deg=None if unloaded is None else tuple(_numbers(unloaded, "unloaded", "5.5,4")),
        torque_nm=torque_nm,
        axle_ratio=ratio,
        tire_turns_per_mile=turns,
        tube=None if tube is None else Tube(*_numbers(tube, "tube", "114.3,3.4,1800", sizes=(3,))),
        slip=None if spline is None else Slip(*_numbers(spline, "spline", "35,20", sizes=(1, 2))),
    )


def _between(text: str | None, name: str, joints: int) -> list[float]:
    """Return one number per joint of what is given between joints; the first joint's is 0 where it is left out."""
    found = [0.0] * joints if text is None else _numbers(text, name, "0,0")
    found = [0.0, *found] if len(found) == joints - 1 else found
    if len(found) != joints:
        raise DataError(f"unequal-{name}", f"{joints} angles and {len(found)} {name}", "give one fewer than angles")
    return found


def _numbers(text: str, name: str, example: str, *, sizes: tuple[int, ...] | None = None) -> list[float]:
    try:
        found = [float(part) for part in text.split(",")]
    except ValueError:
        found = []
    if not found or not all(map(isfinite, found)) or (sizes is not None and len(found) not in sizes):
        raise DataError("bad-list", f"{name} {text[:40]!r} is not a list of numbers as wanted", f"write {example}")
    return found

"""Changes of angle that bring a whole line within every limit at once, loaded and unloaded."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from wearlab.driveline.kinematics import (
    RAD_PER_S,
    Joint,
    angle_for_acceleration,
    half_turn,
    peak_acceleration,
    turn_line,
)
from wearlab.driveline.references import References

Floats = npt.NDArray[np.float64]

STEP = 0.25  # degrees: angles are measured to it (US Army TM 5-3820-256-24-4, installation of the drive shaft)
MOST_CHOICES = 500_000
TRIED = 400  # of those that the residual angle lets through, held against the exact motion
SUGGESTED = ("joint", "angle_deg", "change_deg", "becomes_deg", "unloaded_angle_deg", "unloaded_becomes_deg")


@dataclass(frozen=True, slots=True)
class Suggestion:
    """The change of every joint's angle (degrees) that keeps every limit, or None with the reason in ``text``."""

    changes: tuple[float, ...] | None
    text: str

    def rows(self, states: tuple[tuple[Joint, ...], ...]) -> list[tuple[object, ...]]:
        """Return a row per joint to change (columns ``SUGGESTED``) of a line given loaded and, maybe, unloaded."""
        found: list[tuple[object, ...]] = []
        for number, change in enumerate(self.changes or (), start=1):
            if change:
                loaded = states[0][number - 1].angle_deg
                bare = states[1][number - 1].angle_deg if len(states) > 1 else np.nan
                found.append((number, loaded, change, loaded + change, bare, bare + change))
        return found


def suggest_changes(speed_rpm: float, states: tuple[tuple[Joint, ...], ...], limits: References) -> Suggestion:
    """Return the least changes of angle, in quarter degrees, that keep every limit on angles in every state of load.

    ``states``: the joints as loaded and, where measured, unloaded; one change is added to a joint's angle in each.
    Least is the smallest sum of changes, then the smallest single one. Planes and phases stay as they are. All sets of
    quarter degrees are looked at, first by the residual angle, then by the exact motion; a line with too many of them
    gets no suggestion.
    """
    choices = [_choices(speed_rpm, [state[number] for state in states], limits) for number in range(len(states[0]))]
    empty = next((number for number, found in enumerate(choices, start=1) if not len(found)), None)
    if empty is not None:
        text = f"No change of angle keeps joint {empty} within its limits both loaded and unloaded."
        return Suggestion(None, text)
    if np.prod([float(len(found)) for found in choices]) > MOST_CHOICES:
        return Suggestion(None, "The line has too many joints for a set of changes to be suggested.")
    changes = np.stack([grid.ravel() for grid in np.meshgrid(*choices, indexing="ij")], axis=1)
    for state in states:
        changes = changes[_plausible(speed_rpm, state, changes, limits)]
    size = np.abs(changes)
    for row in np.lexsort((*changes.T[::-1], size.max(axis=1), size.sum(axis=1).round(6)))[:TRIED]:
        if all(_keeps(speed_rpm, _changed(state, changes[row]), limits) for state in states):
            return Suggestion(tuple(float(change) for change in changes[row]), "")
    text = "No set of angles keeps every limit with the planes and phases as they are: look at those, or at the speed."
    return Suggestion(None, text)


def _choices(speed_rpm: float, joints: list[Joint], limits: References) -> Floats:
    """Return the changes that keep one joint between its least and its greatest angle in every state."""
    inertial = limits["inertial_acceleration"].value
    ceiling = min(limits["preferred_angle"].value, angle_for_acceleration(speed_rpm, inertial))
    angles = np.array([joint.angle_deg for joint in joints])
    low, high = limits["least_angle"].value - angles.min(), ceiling - angles.max()
    steps = STEP * np.arange(np.floor(-45 / STEP), np.ceil(45 / STEP) + 1)
    within = steps[(steps >= low - 1e-9) & (steps <= high + 1e-9)]
    return np.asarray(within[[_still(speed_rpm, joints, change, inertial) for change in within]], dtype=np.float64)


def _still(speed_rpm: float, joints: list[Joint], change: float, inertial: float) -> bool:
    return all(peak_acceleration(speed_rpm, np.radians(joint.angle_deg + change)) <= inertial for joint in joints)


def _changed(state: tuple[Joint, ...], changes: Floats) -> tuple[Joint, ...]:
    return tuple(
        Joint(joint.angle_deg + float(change), joint.plane_deg, joint.phase_deg)
        for joint, change in zip(state, changes, strict=True)
    )


def _plausible(
    speed_rpm: float, state: tuple[Joint, ...], changes: Floats, limits: References
) -> npt.NDArray[np.bool_]:
    """Return which changes keep the mismatch, and the acceleration as the residual angle has it, within 2 %."""
    angles = np.array([joint.angle_deg for joint in state]) + changes
    fine = np.ones(len(changes), dtype=bool)
    if len(state) > 1:
        fine = np.abs(angles[:, -1] - angles[:, -2]) <= limits["mismatch"].value + 1e-9
    steps = [np.pi / 2 + np.radians(after.phase_deg - after.plane_deg) for _, after in pairwise(state)]
    turned = np.exp(2j * np.concatenate([[0.0], np.cumsum(steps)]))
    shaking = np.abs((np.radians(angles) ** 2) @ turned) * (speed_rpm * RAD_PER_S) ** 2
    return np.asarray(fine & (shaking <= limits["torsional_acceleration"].value * 1.02))


def _keeps(speed_rpm: float, state: tuple[Joint, ...], limits: References) -> bool:
    slope = np.abs(turn_line(state, half_turn())[2][-1]).max()
    return bool(slope * (speed_rpm * RAD_PER_S) ** 2 <= limits["torsional_acceleration"].value)

"""Motion of cross joints: one joint, and a line of joints with an angle, a plane and a phase each.

Closed forms of the Cardan joint as in textbooks of machine kinematics; each is checked against rigid-body geometry
(rotation matrices) and direct numerical differentiation.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
RAD_PER_S = 2 * np.pi / 60  # of one turn a minute


def output_angle(turn: npt.ArrayLike, angle: float) -> Floats:
    """Return how far the driven yoke has turned (rad) when the driving yoke has turned ``turn`` (rad).

    ``angle`` (rad, below a right angle) lies between the shafts. At turn 0 the driving yoke's arm lies in the plane of
    the two shafts: tan(out) = tan(turn) / cos(angle), followed through the whole turns.
    """
    at = np.asarray(turn, dtype=np.float64)
    folded = np.arctan2(np.sin(at), np.cos(angle) * np.cos(at))
    return np.asarray(folded + 2 * np.pi * np.round((at - folded) / (2 * np.pi)))


def speed_ratio(turn: npt.ArrayLike, angle: float) -> Floats:
    """Return driven over driving speed, cos(angle) / (1 − sin²(angle)·cos²(turn)): from cos(angle) to its inverse."""
    at = np.asarray(turn, dtype=np.float64)
    return np.asarray(np.cos(angle) / (1 - (np.sin(angle) * np.cos(at)) ** 2))


def ratio_slope(turn: npt.ArrayLike, angle: float) -> Floats:
    """Return d(speed ratio)/d(turn); times the square of the driving speed it is the driven shaft's acceleration."""
    at = np.asarray(turn, dtype=np.float64)
    below = 1 - (np.sin(angle) * np.cos(at)) ** 2
    return np.asarray(-np.cos(angle) * np.sin(angle) ** 2 * np.sin(2 * at) / below**2)


def peak_acceleration(speed_rpm: float, angle: float) -> float:
    """Return the largest acceleration (rad/s²) of the shaft driven through one joint at a steady driving speed.

    Exact: the peak lies where cos(2·turn) = (√(A² + 8B²) − A) / 2B with B = sin²(angle)/2, A = 1 − B. Up to 7° it is
    speed² · angle² within 0.3 %.
    """
    half = np.sin(angle) ** 2 / 2
    if half == 0:
        return 0.0
    rest = 1 - half
    doubled = (np.sqrt(rest**2 + 8 * half**2) - rest) / (2 * half)
    slope = np.cos(angle) * np.sin(angle) ** 2 * np.sqrt(1 - doubled**2) / (rest - half * doubled) ** 2
    return float((speed_rpm * RAD_PER_S) ** 2 * slope)


@dataclass(frozen=True, slots=True)
class Joint:
    """One joint of a line, front to rear: the angle between its shafts, and how it is turned against the one before.

    ``angle_deg`` is from 0 to 45. ``plane_deg`` is by how much the plane of its two shafts is turned about the shaft in
    front, against the plane of the joint before it (0: one plane). ``phase_deg`` is the twist of its front yoke against
    the rear yoke of the joint before it on the same shaft (0: in phase, as built).
    """

    angle_deg: float
    plane_deg: float = 0.0
    phase_deg: float = 0.0


def turn_line(joints: tuple[Joint, ...], turn: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Return turn (rad), speed ratio and its slope of the shaft behind each joint: arrays (joints, turns).

    The two yokes of an in-phase shaft stand a quarter turn apart as seen from their own joint planes, so each joint
    takes the turn of the one before, plus a quarter turn, plus phase, less the turn of its plane.
    """
    at = np.asarray(turn, dtype=np.float64)
    out, ratios, slopes = [], [], []
    ratio, slope, first = np.ones_like(at), np.zeros_like(at), True
    for joint in joints:
        angle = np.radians(joint.angle_deg)
        if not first:
            at = at + np.pi / 2 + np.radians(joint.phase_deg - joint.plane_deg)
        slope = ratio_slope(at, angle) * ratio**2 + speed_ratio(at, angle) * slope
        ratio = ratio * speed_ratio(at, angle)
        at, first = output_angle(at, angle), False
        out.append(at)
        ratios.append(ratio)
        slopes.append(slope)
    return np.array(out), np.array(ratios), np.array(slopes)


def half_turn() -> Floats:
    """Return turns (rad) at half-degree steps over the half turn after which every cross joint repeats itself."""
    return np.linspace(0, np.pi, 360, endpoint=False)


def residual_angle(joints: tuple[Joint, ...]) -> float:
    """Return the one angle (degrees) that would shake the last shaft as much as all joints together.

    √|Σ θ²·exp(2iα)|, α the sum of quarter turns, phases and planes up to the joint: for a line in one plane and in
    phase √|Σ ±θ²| with alternating sign. From memory of the SAE joint manual; good to a few tenths of a percent below
    8°, checked against the exact motion.
    """
    return float(np.degrees(np.sqrt(abs(_shaking(joints)))))


def _shaking(joints: tuple[Joint, ...]) -> complex:
    turned, total = 0.0, 0j
    for number, joint in enumerate(joints):
        if number:
            turned += np.pi / 2 + np.radians(joint.phase_deg - joint.plane_deg)
        total += np.radians(joint.angle_deg) ** 2 * np.exp(2j * turned)
    return complex(total)


def from_the_rear(joints: tuple[Joint, ...]) -> tuple[Joint, ...]:
    """Return the same line read from the rear, as the wheels drive it when the truck coasts."""
    between = [(0.0, 0.0), *((joint.plane_deg, joint.phase_deg) for joint in joints[:0:-1])]
    return tuple(
        Joint(joint.angle_deg, plane, phase) for joint, (plane, phase) in zip(joints[::-1], between, strict=True)
    )


def angle_for_acceleration(speed_rpm: float, acceleration: float) -> float:
    """Return the residual angle (degrees) at which the acceleration speed²·angle² reaches a limit (rad/s²)."""
    return float(np.degrees(np.sqrt(acceleration) / (speed_rpm * RAD_PER_S)))


def secondary_couples(torque: float, angle_deg: float) -> tuple[float, float]:
    """Return the largest bending couples that one joint puts on its driving and on its driven shaft.

    torque·tan(angle) and torque·sin(angle), each swinging from nothing twice a turn, in the unit of ``torque``. They
    rock the supports: the gearbox, the center bearing, the axle.
    """
    angle = np.radians(angle_deg)
    return float(torque * np.tan(angle)), float(torque * np.sin(angle))

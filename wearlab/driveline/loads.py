"""Joint life against torque, angle and turns; slip-spline force; critical speed of a tube. Ratios, never hours."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

ROLLER_EXPONENT = 10 / 3  # ISO 281: life of roller bearings against load
ANGLE_FLOOR_DEG = 3.0  # below it life is taken as at it (common practice, no source)
STEEL_MODULUS_PA = 207e9  # from memory; handbook values 200 to 210
STEEL_DENSITY = 7850.0  # kg/m³, from memory


def damage_per_turn(torque: npt.ArrayLike, angle_deg: npt.ArrayLike, *, floor_deg: float = ANGLE_FLOOR_DEG) -> Floats:
    """Return the share of joint life used by one shaft turn, on a scale of its own: torque^(10/3) · angle.

    A trunnion that rocks ±θ (degrees) makes θ/90 bearing turns per shaft turn, and life in bearing turns falls with
    load^(10/3) (ISO 281, roller contact; damage adds up by turns, Palmgren 1924, Miner 1945). An angle under the floor
    counts as the floor. Only ratios of this number mean anything.
    """
    load = np.abs(np.asarray(torque, dtype=np.float64))
    angle = np.maximum(np.abs(np.asarray(angle_deg, dtype=np.float64)), floor_deg)
    return np.asarray(load**ROLLER_EXPONENT * angle)


def life_ratio(
    torque: tuple[float, float],
    angle_deg: tuple[float, float],
    turns_per_mile: tuple[float, float] = (1.0, 1.0),
    *,
    floor_deg: float = ANGLE_FLOOR_DEG,
) -> float:
    """Return the life of the first of two duties over that of the second, per turn or (with both turns) per mile."""
    first = damage_per_turn(torque[0], angle_deg[0], floor_deg=floor_deg) * turns_per_mile[0]
    second = damage_per_turn(torque[1], angle_deg[1], floor_deg=floor_deg) * turns_per_mile[1]
    return float(second / first)


def equivalent_torque(share_of_turns: npt.ArrayLike, torque: npt.ArrayLike) -> float:
    """Return the steady torque that uses as much joint life as a spectrum: (Σ f·M^(10/3))^(3/10), f of turns."""
    share = np.asarray(share_of_turns, dtype=np.float64)
    load = np.abs(np.asarray(torque, dtype=np.float64))
    return float((share / share.sum() * load**ROLLER_EXPONENT).sum() ** (1 / ROLLER_EXPONENT))


def joint_cycles_per_mile(axle_ratio: float, tire_turns_per_mile: float) -> float:
    """Return shaft turns per mile; each trunnion rocks through its angle and back once per turn."""
    return axle_ratio * tire_turns_per_mile


def spline_axial_force(torque_nm: float, pitch_radius_mm: float, friction: float) -> float:
    """Return the force (N) that makes a slip spline slide under torque: friction · torque / radius (Coulomb)."""
    return friction * torque_nm / (pitch_radius_mm / 1000)


def sliding_work(axial_force_n: float, travel_mm: float, strokes: float) -> float:
    """Return the work (J) of sliding a spline; wear depth goes with it (Archard 1953, from memory)."""
    return axial_force_n * travel_mm / 1000 * strokes


@dataclass(frozen=True, slots=True)
class Tube:
    """A steel tube between two joints: outer diameter, wall and length between joint centers, in millimetres."""

    outer_mm: float
    wall_mm: float
    length_mm: float

    def critical_speed_rpm(self) -> float:
        """Return the speed at which the tube would whirl on stiff supports, as a simply supported uniform beam.

        30·π·√(E/ρ)·√(D² + d²) / 4L²: first bending frequency π/2·√(EI/ρA)/L² (Rayleigh), with I/A = (D² + d²)/16.
        Real lines on soft mounts whirl earlier.
        """
        outer, inner, length = (
            self.outer_mm / 1000,
            (self.outer_mm - 2 * self.wall_mm) / 1000,
            self.length_mm / 1000,
        )
        wave = np.sqrt(STEEL_MODULUS_PA / STEEL_DENSITY)
        return float(30 * np.pi * wave * np.sqrt(outer**2 + inner**2) / (4 * length**2))

"""Reference limits for shaft angles and speeds: a starting point to be edited, each with where it stands."""

from dataclasses import dataclass

COMMON = "common practice, no source"
MEMORY = "from memory"


@dataclass(frozen=True, slots=True)
class Reference:
    """One limit with its unit and its source."""

    name: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class References:
    """The limits a line of joints is checked against; replace one to use a maker's own figure."""

    least_angle: Reference = Reference("least_angle", 0.5, "deg", COMMON)
    preferred_angle: Reference = Reference(
        "preferred_angle", 3.0, "deg", "US Army TM 5-4210-230-14&P-1, propeller shaft, p. 23"
    )
    mismatch: Reference = Reference("mismatch", 1.0, "deg", COMMON)
    phase: Reference = Reference(
        "phase", 1.5, "deg", "yokes in line: US Army TM 9-2320-273-20, Table 3-1; the tolerance: " + COMMON
    )
    torsional: Reference = Reference("torsional_acceleration", 300.0, "rad/s2", MEMORY)
    inertial: Reference = Reference("inertial_acceleration", 1000.0, "rad/s2", MEMORY)
    critical_share: Reference = Reference("share_of_critical_speed", 0.70, "", COMMON)

    def all(self) -> tuple[Reference, ...]:
        """Return every limit in the order in which it is printed."""
        return (
            self.least_angle,
            self.preferred_angle,
            self.mismatch,
            self.phase,
            self.torsional,
            self.inertial,
            self.critical_share,
        )

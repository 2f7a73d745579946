"""fleet.toml as frozen settings: what the fleet says of itself, its costs, limits and published intervals."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date


@dataclass(frozen=True, slots=True)
class PartCost:
    """What one replacement costs, in the fleet's currency: planned in the shop, and after a failure on the road."""

    planned: float
    failure: float


@dataclass(frozen=True, slots=True)
class Costs:
    """The ``[costs]`` table; ``by_duty_cycle`` holds a class's own part costs already merged with the general ones."""

    regrease_stop: float | None = None
    regrease_stop_by_duty_cycle: Mapping[str, float] = field(default_factory=dict)
    harm_per_stop: float = 0.0
    ownership_miles: Mapping[str, float] = field(default_factory=dict)
    parts: Mapping[str, PartCost] = field(default_factory=dict)
    by_duty_cycle: Mapping[str, Mapping[str, PartCost]] = field(default_factory=dict)

    def part(self, component: str, duty_cycle: str) -> PartCost | None:
        """Return the cost of one part in one class, or None where fleet.toml does not say it."""
        return self.by_duty_cycle.get(duty_cycle, {}).get(component, self.parts.get(component))

    def stop(self, duty_cycle: str) -> float | None:
        """Return the cost of one regrease stop in one class, or None where fleet.toml does not say it."""
        return self.regrease_stop_by_duty_cycle.get(duty_cycle, self.regrease_stop)


@dataclass(frozen=True, slots=True)
class PublishedInterval:
    """The component maker's regrease interval for one duty cycle, with where it stands in print."""

    miles: float | None
    hours: float | None
    months: float | None
    source: str


@dataclass(frozen=True, slots=True)
class WearLimit:
    """A limit for one measured quantity, with its source."""

    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Limits:
    """The ``[limits]`` table: optional targets, and wear limits by measured quantity."""

    b10_miles: Mapping[str, float] = field(default_factory=dict)
    failures_per_truck_year: float | None = None
    wear: Mapping[str, WearLimit] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DrivelineLimit:
    """A fleet's own limit for angles and speeds of shafts, with its source; names and units: driveline.references."""

    name: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Driveline:
    """The ``[driveline]`` table: the highest steady shaft speed (turns a minute), and limits of the fleet's own."""

    speed_rpm: float | None = None
    limits: tuple[DrivelineLimit, ...] = ()


@dataclass(frozen=True, slots=True)
class Keywords:
    """Rules that tell a blank value from a free text: the first part found in ``look_in``, in any case, gives it."""

    look_in: str = "note"
    rules: Mapping[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)  # column -> (part, contract value)


@dataclass(frozen=True, slots=True)
class TableMap:
    """How one table of an export maps onto the contract: files, columns, date formats, code values, reader options."""

    files: tuple[str, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)  # contract name -> name in the export
    dates: tuple[str, ...] = ()
    codes: Mapping[str, Mapping[str, str]] = field(
        default_factory=dict
    )  # column -> {value in the export: contract value}
    options: Mapping[str, str] = field(default_factory=dict)
    keywords: Keywords = field(default_factory=Keywords)


@dataclass(frozen=True, slots=True)
class Privacy:
    """The ``[privacy]`` table: columns kept under a pseudonym, columns not kept at all, and where the key lies."""

    pseudonyms: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()
    key_file: str | None = None  # outside the fleet folder; without it the key stands in the environment


@dataclass(frozen=True, slots=True)
class ClassRule:
    """One rule that tells a truck's duty cycle from its use over a year; every bound given must hold."""

    duty_cycle: str
    miles_per_year_over: float | None = None
    miles_per_year_up_to: float | None = None
    miles_per_hour_over: float | None = None
    miles_per_hour_up_to: float | None = None
    share_unpaved_over: float | None = None
    share_unpaved_up_to: float | None = None


@dataclass(frozen=True, slots=True)
class FleetConfig:
    """fleet.toml, checked. Distances in the file's own ``distance`` unit are already in miles here."""

    distance: str = "mi"
    records_from: date | None = None
    as_of: date | None = None
    duty_cycles: tuple[str, ...] | None = None
    same_event_days: int = 7
    same_event_miles: float = 500.0
    max_set_aside_share: float = 0.05
    scale: str = "miles"
    currency: str = "USD"
    interval_grid: float = 500.0
    allow_beyond_published: bool = False
    tables: Mapping[str, TableMap] = field(default_factory=dict)
    costs: Costs = field(default_factory=Costs)
    published_interval: Mapping[str, PublishedInterval] = field(default_factory=dict)
    limits: Limits = field(default_factory=Limits)
    joining: Mapping[str, float] = field(default_factory=dict)  # trucks a month that are to join, by duty cycle
    driveline: Driveline = field(default_factory=Driveline)
    privacy: Privacy = field(default_factory=Privacy)
    class_rules: tuple[ClassRule, ...] = ()  # the first that fits counts

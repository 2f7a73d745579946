"""The tables and columns that a fleet folder may hold, as data: what the reader accepts and what the store keeps."""

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """What one column holds, and so how its text is read."""

    TEXT = "text"
    DATE = "date"
    TIME = "time"  # a date, or a date with a time of day
    NUMBER = "number"
    WHOLE = "whole"  # a whole number
    DISTANCE = "distance"  # a number in the fleet's distance unit, kept in miles
    FLAG = "flag"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the contract; ``low`` and ``high`` bound a number, both included unless ``above`` is set."""

    name: str
    kind: Kind = Kind.TEXT
    required: bool = False
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    above: float | None = None  # the number must be greater than this
    default: str | None = None  # an SQL literal of this contract, taken where the cell is blank
    record_keeping: bool = False  # a date of the book-keeping, which may follow the end of the history


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the contract; ``key`` names its row, so that of two rows with one key the latest wins."""

    name: str
    columns: tuple[Column, ...]
    required: bool = False
    key: tuple[str, ...] = ()

    def column(self, name: str) -> Column | None:
        """Return the column of that name, or None where the contract has none."""
        return next((column for column in self.columns if column.name == name), None)

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the columns in the order of the contract."""
        return tuple(column.name for column in self.columns)


def _text(name: str, *, required: bool = False, choices: tuple[str, ...] = ()) -> Column:
    return Column(name, Kind.TEXT, required=required, choices=choices)


def _date(name: str, *, required: bool = False, record_keeping: bool = False) -> Column:
    return Column(name, Kind.DATE, required=required, record_keeping=record_keeping)


def _distance(name: str, *, required: bool = False, default: str | None = None) -> Column:
    return Column(name, Kind.DISTANCE, required=required, low=0.0, default=default)


def _number(name: str, *, low: float | None = None, above: float | None = None, required: bool = False) -> Column:
    return Column(name, Kind.NUMBER, required=required, low=low, above=above)


ACTIONS = ("regrease", "inspect", "replace")
REASONS = ("failure", "planned", "with_mate", "campaign", "unknown")
FOUND_AT = ("breakdown", "inspection")
HARDWARE = ("greaseable", "extended_interval", "sealed")

UNITS = Table(
    "units",
    (
        _text("unit_id", required=True),
        _text("duty_cycle", required=True),
        _date("in_service_date", required=True),
        _distance("in_service_miles", default="0"),
        _date("out_of_service_date"),
        _number("axle_ratio", above=0.0),
        _number("tire_turns_per_mile", above=0.0),
    ),
    required=True,
    key=("unit_id",),
)
POSITIONS = Table(
    "positions",
    (
        _text("unit_id", required=True),
        _text("position", required=True),
        _text("component", required=True),
        _text("shaft"),
        _text("hardware", choices=HARDWARE),
        _date("installed_date"),
        _distance("installed_miles"),
        Column("age_known", Kind.FLAG, default="true"),
        _text("lot"),
    ),
    required=True,
    key=("unit_id", "position"),
)
SERVICES = Table(
    "services",
    (
        _text("service_id", required=True),
        _text("unit_id", required=True),
        _date("date", required=True),
        _distance("miles"),
        _text("position"),
        _text("component"),
        _text("action", required=True, choices=ACTIONS),
        _text("reason", choices=REASONS),
        _text("found_at", choices=FOUND_AT),
        _text("failure_mode"),
        _text("lot"),
        _text("shop"),
        _text("crew"),
        _text("grease_grade"),
        Column("cups_purged", Kind.WHOLE, low=0.0, high=4.0),
        _number("labor_hours", low=0.0),
        _number("parts_cost"),
        _number("downtime_hours", low=0.0),
        _text("note"),
        _date("posted_date", record_keeping=True),
        Column("updated_at", Kind.TIME, record_keeping=True),
    ),
    required=True,
    key=("service_id",),
)
READINGS = Table(
    "readings",
    (
        _text("unit_id", required=True),
        _date("date", required=True),
        _distance("miles", required=True),
        _number("engine_hours", low=0.0),
        Column("meter_replaced", Kind.FLAG, default="false"),
    ),
)
DUTY_CHANGES = Table(
    "duty_changes",
    (_text("unit_id", required=True), _date("date", required=True), _text("duty_cycle", required=True)),
)
LUBE_PLAN = Table(
    "lube_plan",
    (
        _text("duty_cycle"),
        _text("unit_id"),
        _date("from_date", required=True),
        Column("interval_miles", Kind.DISTANCE, above=0.0),
        _number("interval_hours", above=0.0),
        _number("interval_months", above=0.0),
    ),
)
MEASUREMENTS = Table(
    "measurements",
    (
        _text("unit_id", required=True),
        _text("position", required=True),
        _date("date", required=True),
        _distance("miles"),
        _text("quantity", required=True),
        _number("value", required=True),
        _text("unit", required=True),
    ),
)

# The order in which tables are loaded: units before what refers to them, positions before services.
TABLES = (UNITS, POSITIONS, SERVICES, READINGS, DUTY_CHANGES, LUBE_PLAN, MEASUREMENTS)


def find_table(name: str) -> Table:
    """Return the table of that name, which must be one of the contract's."""
    return next(table for table in TABLES if table.name == name)

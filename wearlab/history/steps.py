"""The steps from rows to lives and episodes: one list of statements for every engine, and two judgements in Python."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import pandas as pd

from wearlab.history.meters import HOURS_PER_DAY_LIMIT, MILES_PER_DAY_LIMIT, judge_meters
from wearlab.history.spread import average_by_class, split_spread
from wearlab.history.store import read_sql

WHOLE = ("unit_all", "repeated", "superseded", "plan_now")
ROWS = (
    "unit_now", "position_now", "kind_now", "service_now", "reading_now", "measurement_now", "duty_now", "era_moment",
    "unit_seen",
)  # fmt: skip
ORDERS = ("meter_rates", "dated", "service_metered", "replace_order")
LIVES = (
    "replace_event", "unit_end", "part_start", "segment", "look", "life_timed", "life_key", "life_looked",
    "life_greased", "life", "left_out", "truck_shop", "stop", "era", "gap",
)  # fmt: skip
PRACTICE = ("practice", "span", "stop_record", "record_before")
TO_LAY = ("lives_to_lay", "spans_to_lay")  # what episodes are laid out from (episodes.py)
OUTPUTS = {
    "lives": "lives_frame",
    "episodes": "episodes_out",
    "gaps": "gaps_frame",
    "factors": "life_factor",
    "to_fit": "lives_to_fit",
}
MACROS = ("day_number", "date_of_day", "at_least_zero", "to_scale")
Values = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Judgement:
    """A judgement made in Python on whole trucks: the query it reads, the table it makes, the types of its columns."""

    query: str
    table: str
    columns: Mapping[str, str]
    judge: Callable[[pd.DataFrame, Values], pd.DataFrame]


class Engine(Protocol):
    """What runs the steps: a database that makes a table of each statement."""

    def make(self, name: str, values: Values) -> None:
        """Make the table ``name`` from ``sql/lives/<name>.sql``."""

    def judge(self, judgement: Judgement, values: Values) -> None:
        """Make a table by a judgement in Python."""

    def frame(self, name: str, values: Values) -> pd.DataFrame:
        """Return the rows of the query ``sql/lives/<name>.sql``."""

    def hand_over(self, name: str, frame: pd.DataFrame) -> None:
        """Make the table ``name`` from a small frame."""


def read_step(name: str) -> str:
    """Return the statement of ``sql/lives/<name>.sql`` without its comments."""
    lines = read_sql(f"lives/{name}").splitlines()
    return "\n".join(line for line in lines if not line.lstrip().startswith("--"))


def bound(statement: str, values: Values) -> dict[str, Any]:
    """Return the values that a statement asks for by ``$name``."""
    return {name: values[name] for name in sorted(set(re.findall(r"\$(\w+)", statement)))}


def build_lives(engine: Engine, values: Values) -> None:
    """Make the tables of one piece of the fleet, from its rows up to lives, stops and gaps."""
    _make(engine, ROWS, values)
    for meter in (MILES, HOURS):
        engine.judge(meter, values)
        engine.make("miles_track" if meter is MILES else "hours_track", values)
    _make(engine, ORDERS, values)
    engine.judge(SAME_EVENT, values)
    _make(engine, LIVES, values)


def weigh_practice(engine: Engine, summary: pd.DataFrame) -> Values:
    """Hand the means of each class to the engine, and return the shares of spread that shrink a truck's practice."""
    spread = split_spread(summary)
    engine.hand_over("practice_class", average_by_class(summary))
    return {"var_gap": float(spread.gap), "var_local": float(spread.local), "var_truck": float(spread.truck)}


def build_practice(engine: Engine, values: Values) -> None:
    """Make the tables that episodes of one piece are laid out from; its lives, stops and gaps are there."""
    _make(engine, PRACTICE, values)


def _make(engine: Engine, names: tuple[str, ...], values: Values) -> None:
    for name in names:
        engine.make(name, values)


def _judge_miles(points: pd.DataFrame, values: Values) -> pd.DataFrame:  # noqa: ARG001 - one form for all judgements
    return _numbered(judge_meters(points, limit_per_day=MILES_PER_DAY_LIMIT, other_units=True))


def _judge_hours(points: pd.DataFrame, values: Values) -> pd.DataFrame:  # noqa: ARG001 - one form for all judgements
    return _numbered(judge_meters(points, limit_per_day=HOURS_PER_DAY_LIMIT))


def _numbered(judged: pd.DataFrame) -> pd.DataFrame:
    columns = {**judged, "nth": np.arange(len(judged), dtype=np.int64)}
    return pd.DataFrame({name: columns[name] for name in METER_COLUMNS}, copy=False)


def join_orders(orders: pd.DataFrame, values: Values) -> pd.DataFrame:
    """Return for each order whether it belongs to the event of the order before: ``place_no``, ``nth``, ``follows``.

    ``orders`` holds ``place_no``, ``nth``, ``day``, ``miles``, by place and time. Orders within both
    ``same_event_days`` and ``same_event_miles`` of the first of an event are that event; unknown miles agree.
    """
    place, day = orders["place_no"].tolist(), orders["day"].tolist()
    miles = orders["miles"].astype(float).tolist()
    follows = np.zeros(len(orders), dtype=bool)
    first = 0
    for at in range(1, len(orders)):
        near = place[at] == place[first] and day[at] - day[first] <= values["same_event_days"]
        follows[at] = near and not abs(miles[at] - miles[first]) > values["same_event_miles"]
        if not follows[at]:
            first = at
    return pd.DataFrame({"place_no": orders["place_no"], "nth": orders["nth"], "follows": follows})


METER_COLUMNS = {
    "unit_no": "integer", "day": "integer", "value": "double", "meter_replaced": "boolean", "nth": "bigint",
    "kept": "boolean", "joined": "double", "reason": "string",
}  # fmt: skip
MILES = Judgement("miles_to_judge", "miles_judged", METER_COLUMNS, _judge_miles)
HOURS = Judgement("hours_to_judge", "hours_judged", METER_COLUMNS, _judge_hours)
SAME_EVENT = Judgement(
    "orders_to_join", "orders_joined", {"place_no": "bigint", "nth": "bigint", "follows": "boolean"}, join_orders
)

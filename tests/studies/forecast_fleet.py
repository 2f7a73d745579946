"""Simulated fleets that can be looked at on any day, for the forecast's tests and studies; invented, seeded."""

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.evidence import Basis
from wearlab.history.config import Costs, FleetConfig, PartCost
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]

RECORDS_FROM = date(2019, 1, 1)
YEARS = 14  # simulated from 2014-01-01
START = date(2014, 1, 1)
RATE = {"line_haul": 300.0, "regional": 170.0, "vocational": 70.0}
COSTS = Costs(parts={"joint": PartCost(380.0, 2400.0), "boot": PartCost(160.0, 300.0)})


@dataclass(frozen=True)
class Plan:
    """What a simulated fleet is made of: per component its places a truck, shape, and η by duty cycle."""

    trucks: int = 120
    frailty: float = 0.0
    removal_per_mile: float = 0.0
    leaving_per_year: float = 0.0
    usage_spread: float = 0.15
    yearly_spread: float = 0.1
    planned_share: float = 0.0  # of the trucks have their parts replaced at an age
    planned_at: float = 0.6  # of η
    components: dict[str, tuple[int, float, dict[str, float]]] = field(
        default_factory=lambda: {
            "joint": (4, 2.0, {"line_haul": 700e3, "regional": 400e3, "vocational": 150e3}),
            "boot": (2, 1.3, {"line_haul": 500e3, "regional": 300e3, "vocational": 120e3}),
        }
    )


@dataclass(frozen=True)
class Fleet:
    """Every life of every place from new to far beyond any day looked at, and the trucks' meters by year."""

    trucks: pd.DataFrame  # unit_id, duty_cycle, begin, leave (days from START), shop
    yearly: FloatArray  # trucks × years, miles a day
    lives: pd.DataFrame  # truck, position, component, number, start, end (miles), failed

    def miles(self, truck: npt.NDArray[np.int64], day: FloatArray) -> FloatArray:
        """Return each truck's miles on a day (days from START)."""
        begin = self.trucks["begin"].to_numpy(dtype=float)
        ends = np.arange(1, YEARS + 1) * 365.0
        served = np.clip(np.minimum(day[:, None], ends) - np.maximum(begin[truck][:, None], ends - 365.0), 0.0, None)
        return np.asarray((served * self.yearly[truck]).sum(axis=1))


def simulate_fleet(plan: Plan, seed: int) -> Fleet:
    """Return one fleet; the same seed gives the same fleet."""
    rng = np.random.default_rng(seed)
    n = plan.trucks
    duty = np.array(list(RATE), dtype=object)[np.arange(n) % 3]
    begin = rng.integers(0, 365 * 6, n).astype(float)
    leave = (
        np.full(n, 1e9)
        if plan.leaving_per_year == 0
        else begin + 1095 + rng.exponential(365 / plan.leaving_per_year, n)
    )
    own = np.array([RATE[d] for d in duty]) * np.exp(plan.usage_spread * rng.standard_normal(n))
    yearly = own[:, None] * np.exp(plan.yearly_spread * rng.standard_normal((n, YEARS)))
    trucks = pd.DataFrame(
        {
            "unit_id": [f"T{i:04d}" for i in range(n)],
            "duty_cycle": duty,
            "begin": begin,
            "leave": leave,
            "shop": [f"S{i % 4}" for i in range(n)],
        }
    )
    z = rng.gamma(1 / plan.frailty, plan.frailty, n) if plan.frailty > 0 else np.ones(n)
    frames = []
    for component, (places, shape, etas) in plan.components.items():
        truck = np.repeat(np.arange(n), places)
        position = np.array([f"{component}.{k + 1}" for _ in range(n) for k in range(places)], dtype=object)
        eta = np.array([etas[duty[i]] for i in truck]) * z[truck] ** (-1 / shape)
        usual = np.array([etas[duty[i]] for i in truck])
        age = np.where(truck % 100 < 100 * plan.planned_share, plan.planned_at * usual, np.inf)
        frames.append(_renew(truck, position, component, eta, shape, plan.removal_per_mile, age, rng))
    lives = pd.concat(frames, ignore_index=True)
    return Fleet(trucks, yearly, lives)


def _renew(
    truck: npt.NDArray[np.int64],
    position: npt.NDArray[np.object_],
    component: str,
    eta: FloatArray,
    shape: float,
    removal: float,
    planned: FloatArray,
    rng: np.random.Generator,
) -> pd.DataFrame:
    start, rows, number, out = np.zeros(len(truck)), np.arange(len(truck)), 1, []
    while len(rows):
        life = eta[rows] * rng.weibull(shape, len(rows))
        other = rng.exponential(1 / removal, len(rows)) if removal > 0 else np.full(len(rows), np.inf)
        if np.isfinite(planned).any():
            other = np.minimum(other, planned[rows] * np.exp(0.08 * rng.standard_normal(len(rows))))
        end = start[rows] + np.minimum(life, other)
        out.append(
            pd.DataFrame(
                {
                    "truck": truck[rows],
                    "position": position[rows],
                    "component": component,
                    "number": number,
                    "start": start[rows],
                    "end": end,
                    "failed": life <= other,
                }
            )
        )
        start[rows] = end
        rows, number = rows[end < 3e6], number + 1
    return pd.concat(out, ignore_index=True)


def look(fleet: Fleet, day: date) -> History:
    """Return the fleet's history as of a day: what was known then, with records from RECORDS_FROM."""
    now = float((day - START).days)
    born = fleet.trucks["begin"].to_numpy() < now
    n = len(fleet.trucks)
    everyone = np.arange(n)
    last = np.minimum(fleet.trucks["leave"].to_numpy(), now)
    meter = fleet.miles(everyone, last)
    opened = fleet.miles(everyone, np.full(n, float((RECORDS_FROM - START).days)))
    lives = fleet.lives
    truck = lives["truck"].to_numpy()
    start, end = lives["start"].to_numpy(), lives["end"].to_numpy()
    kept = (start <= meter[truck]) & (end > opened[truck]) & born[truck]
    truck, start, end = truck[kept], start[kept], end[kept]
    lives = lives[kept].reset_index(drop=True)
    left = fleet.trucks["leave"].to_numpy()[truck] <= now
    running = (end > meter[truck]) & ~left
    over = end <= meter[truck]
    failed = lives["failed"].to_numpy() & over
    ending = np.where(failed, "failure", np.where(over, "planned", np.where(left, "out_of_service", "running")))
    entry = np.maximum(opened[truck] - start, 0.0)
    exit_ = np.minimum(end, meter[truck]) - start
    table = pd.DataFrame(
        {
            "life_id": np.arange(len(lives)),
            "unit_id": fleet.trucks["unit_id"].to_numpy()[truck],
            "position": lives["position"],
            "component": lives["component"],
            "duty_cycle": fleet.trucks["duty_cycle"].to_numpy()[truck],
            "hardware": "greaseable",
            "life_number": lives["number"],
            "start_date": _date_of(fleet, truck, start),
            "end_date": _date_of(fleet, truck, np.minimum(end, meter[truck])).where(~running, pd.Timestamp(day)),
            "entry": entry,
            "exit": exit_,
            "exit_miles": exit_,
            "failed": failed,
            "lower": np.nan,
            "upper": np.nan,
            "count": 1.0,
            "mode": None,
            "found_at": np.where(failed, "breakdown", None),
            "ending": ending,
            "running": running,
            "fittable": exit_ > entry,
        }
    )
    return _history(table, _units(fleet, now, last, meter, born), _meters(fleet, now), day)


def _date_of(fleet: Fleet, truck: npt.NDArray[np.int64], miles: FloatArray) -> pd.Series:
    """Return the date on which a truck's meter showed these miles (to the day, by halving)."""
    low, high = np.zeros(len(truck)), np.full(len(truck), 365.0 * YEARS)
    for _ in range(22):
        middle = (low + high) / 2
        short = fleet.miles(truck, middle) < miles
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return pd.Series(pd.Timestamp(START) + pd.to_timedelta(np.ceil(high), unit="D"))


def _units(fleet: Fleet, now: float, last: FloatArray, meter: FloatArray, born: npt.NDArray[np.bool_]) -> pd.DataFrame:
    everyone = np.arange(len(fleet.trucks))
    begin = fleet.trucks["begin"].to_numpy()
    back = np.maximum(last - 365.0, begin)
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = (meter - fleet.miles(everyone, back)) / (last - back)
    leave = fleet.trucks["leave"].to_numpy()
    day = lambda at: pd.Timestamp(START) + pd.to_timedelta(at, unit="D")  # noqa: E731
    units = pd.DataFrame(
        {
            "unit_id": fleet.trucks["unit_id"],
            "duty_cycle": fleet.trucks["duty_cycle"],
            "in_service_date": day(begin),
            "out_of_service_date": pd.Series(day(np.minimum(leave, 1e4))).where(leave <= now),
            "in_service": leave > now,
            "shop": fleet.trucks["shop"],
            "axle_ratio": 3.55,
            "tire_turns_per_mile": 500.0,
            "first_date": day(np.maximum(begin, float((RECORDS_FROM - START).days))),
            "last_date": day(last),
            "last_miles": meter,
            "last_hours": np.nan,
            "miles_per_day": rate,
            "hours_per_day": np.nan,
            "exposure_miles": meter,
            "exposure_days": last - begin,
        }
    )
    return units[born].reset_index(drop=True)


def _meters(fleet: Fleet, now: float) -> pd.DataFrame:
    days = np.arange(float((RECORDS_FROM - START).days), now + 1, 91.0)
    frames: list[pd.DataFrame] = []
    everyone = np.arange(len(fleet.trucks))
    begin, leave = fleet.trucks["begin"].to_numpy(), fleet.trucks["leave"].to_numpy()
    for day in [*days, now]:
        here = (begin <= day) & (day <= leave)
        miles = fleet.miles(everyone, np.full(len(everyone), day))
        frames.append(
            pd.DataFrame(
                {
                    "unit_id": fleet.trucks["unit_id"][here],
                    "date": pd.Timestamp(START) + pd.Timedelta(days=float(day)),
                    "origin": "reading",
                    "raw_miles": miles[here],
                    "miles": miles[here],
                    "disregarded": False,
                    "reason": None,
                }
            )
        )
    return pd.concat(frames, ignore_index=True)


def _history(lives: pd.DataFrame, units: pd.DataFrame, meters: pd.DataFrame, day: date) -> History:
    config = FleetConfig(records_from=RECORDS_FROM, as_of=day, costs=COSTS)
    basis = Basis("simulated fleet", (), day, "miles", 0.9, (), len(lives), int(lives["failed"].sum()))
    empty = pd.DataFrame()
    left_out = pd.DataFrame(
        {"component": [], "duty_cycle": [], "unit_id": [], "position": [], "reason": [], "lives": []}
    )
    plan = pd.DataFrame(
        {
            "duty_cycle": [],
            "unit_id": [],
            "from_date": [],
            "interval_miles": [],
            "interval_hours": [],
            "interval_months": [],
        }
    )
    parts: dict[str, Any] = {
        "episodes": empty,
        "gaps": empty,
        "stops": empty,
        "units": units,
        "plan": plan,
        "measurements": empty,
        "left_out": left_out,
        "groups": empty,
        "meters": meters,
    }
    return History(basis, (), config, day, "miles", (), lives, **parts)


def later(day: date, months: int) -> date:
    """Return the day ``months`` mean months later, rounded to whole days."""
    return day + timedelta(days=round(months * 365.25 / 12))

"""Simulated fleets as History frames, all positions at once: invented, seeded, with a planted truth."""

from dataclasses import dataclass, field
from datetime import date

import numpy as np
import pandas as pd

from wearlab.evidence import Basis
from wearlab.history.config import FleetConfig
from wearlab.history.lives import History

RECORDS_FROM = date(2019, 7, 1)
AS_OF = date(2026, 6, 30)
CLASSES = ("line_haul", "regional", "vocational")
MILES_PER_DAY = {"line_haul": 330.0, "regional": 180.0, "vocational": 75.0}
SHAPES = {"joint": 1.8, "slip_spline": 2.2, "boot": 1.3}
SCALES = {
    "joint": {"line_haul": 900e3, "regional": 500e3, "vocational": 190e3},
    "slip_spline": {"line_haul": 1100e3, "regional": 650e3, "vocational": 260e3},
    "boot": {"line_haul": 800e3, "regional": 420e3, "vocational": 150e3},
}
FACTORS = ("home_shop", "region", "model_year", "lot", "shop", "crew", "clamp_tool", "grease_grade")


@dataclass(frozen=True)
class Plan:
    """What a simulated fleet is made of; multipliers act on the hazard."""

    trucks: int = 500
    spread: float = 0.1  # variance between trucks
    positions: tuple[tuple[str, int], ...] = (("joint", 4), ("slip_spline", 2), ("boot", 2))
    bad_trucks: dict[int, float] = field(default_factory=dict)  # truck number -> multiplier of all its parts
    planted: tuple[tuple[str, str, str, float], ...] = ()  # (component, factor, level, multiplier), at fitting
    life: float = 1.0  # all characteristic lives times this
    levels: tuple[tuple[str, int], ...] = ()  # factor -> number of levels where not the usual
    infants: tuple[tuple[int, float], ...] = ()
    lot_trucks: int = 0  # trucks of a planted lot fitted on new trucks
    bad_spline: float = 1.0  # spline multiplier after a boot failure at the same shaft (not used by default)


def simulate(plan: Plan, seed: int) -> History:
    """Return the History of one simulated fleet; the same seed gives the same frames."""
    rng = np.random.default_rng(seed)
    units = _units(plan, rng)
    frames = [_component(name, count, plan, units, rng) for name, count in plan.positions]
    lives = pd.concat(frames, ignore_index=True)
    lives = lives.sort_values(["unit_id", "component", "position", "life_number"], kind="stable", ignore_index=True)
    lives.insert(0, "life_id", np.arange(len(lives)))
    return _history(lives, units)


def _count(plan: Plan, factor: str, usual: int) -> int:
    return dict(plan.levels).get(factor, usual)


def _units(plan: Plan, rng: np.random.Generator) -> pd.DataFrame:
    n = plan.trucks
    duty = rng.choice(np.array(CLASSES, dtype=object), n, p=[0.4, 0.3, 0.3])
    start = np.datetime64("2015-01-01") + rng.integers(0, 365 * 9, n).astype("timedelta64[D]")
    rate = np.array([MILES_PER_DAY[d] for d in duty]) * rng.lognormal(0.0, 0.2, n)
    z = rng.gamma(1.0 / plan.spread, plan.spread, n) if plan.spread > 0 else np.ones(n)
    for truck, times in plan.bad_trucks.items():
        z[truck] = times
    shop = _names("S", rng.integers(1, _count(plan, "home_shop", 8) + 1, n))
    out = start + rng.integers(365 * 5, 365 * 14, n).astype("timedelta64[D]")
    gone = out < np.datetime64(AS_OF)
    return pd.DataFrame(
        {
            "unit_id": [f"T{i:04d}" for i in range(n)],
            "duty_cycle": duty,
            "in_service_date": start.astype("datetime64[ns]"),
            "out_of_service_date": np.where(gone, out, np.datetime64("NaT")).astype("datetime64[ns]"),
            "in_service": ~gone,
            "shop": shop,
            "axle_ratio": np.nan,
            "tire_turns_per_mile": np.nan,
            "miles_per_day": rate,
            "hours_per_day": np.nan,
            "z": z,
            "home_shop": shop,
            "region": _names("R", rng.integers(1, _count(plan, "region", 4) + 1, n)),
            "model_year": [str(y) for y in start.astype("datetime64[Y]")],
        }
    )


def _names(letter: str, numbers: np.ndarray) -> np.ndarray:
    return np.array([f"{letter}{i:02d}" for i in numbers], dtype=object)


def _component(name: str, count: int, plan: Plan, units: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    unit = np.repeat(np.arange(len(units)), count)
    place = np.tile(np.arange(1, count + 1), len(units))
    rate = units["miles_per_day"].to_numpy()[unit]
    first = units["in_service_date"].to_numpy().astype("datetime64[D]")[unit]
    gone = units["out_of_service_date"].to_numpy().astype("datetime64[D]")[unit]
    last = np.where(np.isnat(gone), np.datetime64(AS_OF), gone).astype("datetime64[D]")
    window = (last - first).astype(float)
    record = np.maximum((np.datetime64(RECORDS_FROM) - first).astype(float), 0.0)
    eta = np.array([SCALES[name][d] for d in units["duty_cycle"]])[unit] * plan.life
    frames = []
    start = np.zeros(len(unit))
    number = np.zeros(len(unit), dtype=int)
    alive = window > record
    for _ in range(60):
        rows = np.flatnonzero(alive & (start < window))
        if not len(rows):
            break
        factors = _fitted(plan, units, unit[rows], start[rows], first[rows], record[rows], rng)
        times = units["z"].to_numpy()[unit[rows]] * _multiplier(name, plan, factors)
        age = eta[rows] / rate[rows] * (rng.exponential(size=len(rows)) / times) ** (1.0 / SHAPES[name])  # days
        age = np.maximum(np.floor(age), 1.0)
        end = np.minimum(start[rows] + age, window[rows])
        failed = start[rows] + age <= window[rows]
        seen = end > record[rows]
        number[rows[seen]] += 1
        frame = pd.DataFrame(
            {
                "row": rows,
                "start": start[rows],
                "end": end,
                "failed": failed,
                "number": number[rows],
            }
            | factors
        )
        frames.append(frame[seen])
        start[rows] = end
        alive[rows] = failed
    made = pd.concat(frames, ignore_index=True)
    return _frame(name, made, units, unit, place, rate, first, record)


def _fitted(
    plan: Plan,
    units: pd.DataFrame,
    unit: np.ndarray,
    start: np.ndarray,
    first: np.ndarray,
    record: np.ndarray,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:
    """Return the factors of each fitting: lots run for about two quarters, a shop has its own crews and clamp tools."""
    n = len(unit)
    day = (first + start.astype("timedelta64[D]") - np.datetime64("2015-01-01")).astype(float)
    lots = _count(plan, "lot", 40)
    lot = np.clip((day / (365.0 * 11.5 / lots) + rng.normal(0.0, 0.6, n)).astype(int) + 1, 1, lots)
    home = units["home_shop"].to_numpy()[unit]
    away = _names("S", rng.integers(1, _count(plan, "home_shop", 8) + 1, n))
    shop = np.where(rng.random(n) < 0.85, home, away)
    crew = np.array(
        [f"{s}-{c}" for s, c in zip(shop, rng.integers(1, _count(plan, "crew", 3) + 1, n), strict=True)], dtype=object
    )
    tool = _names("C", rng.integers(1, _count(plan, "clamp_tool", 6) + 1, n))
    grease = _names("G", rng.integers(1, _count(plan, "grease_grade", 3) + 1, n))
    inside = (start > 0) & (start >= record)
    known = {"shop": shop, "crew": crew, "clamp_tool": tool, "grease_grade": grease}
    return {"lot": _names("L", lot)} | {k: np.where(inside, v, None) for k, v in known.items()}  # type: ignore[dict-item]


def _multiplier(name: str, plan: Plan, factors: dict[str, np.ndarray]) -> np.ndarray:
    times = np.ones(len(factors["lot"]))
    for component, factor, level, by in plan.planted:
        if component == name and factor in factors:
            times = np.where(factors[factor] == level, times * by, times)
    return times


def _frame(
    name: str,
    made: pd.DataFrame,
    units: pd.DataFrame,
    unit: np.ndarray,
    place: np.ndarray,
    rate: np.ndarray,
    first: np.ndarray,
    record: np.ndarray,
) -> pd.DataFrame:
    row = made["row"].to_numpy()
    who, speed = unit[row], rate[row]
    start, end, failed = (made[c].to_numpy() for c in ("start", "end", "failed"))
    entry_days = np.maximum(record[row] - start, 0.0)
    exit_days = end - start
    begin = first[row] + start.astype("timedelta64[D]")
    running = ~failed & units["in_service"].to_numpy()[who]
    n = len(row)
    frame = {
        "unit_id": units["unit_id"].to_numpy()[who],
        "position": np.array([f"{name}.{p}" for p in place[row]], dtype=object),
        "component": name,
        "duty_cycle": units["duty_cycle"].to_numpy()[who],
        "hardware": "greaseable",
        "shaft": np.array([f"shaft.{(p + 1) // 2}" for p in place[row]], dtype=object),
        "life_number": made["number"].to_numpy(),
        "start_date": begin.astype("datetime64[ns]"),
        "end_date": (begin + exit_days.astype("timedelta64[D]")).astype("datetime64[ns]"),
        "entry_date": (begin + entry_days.astype("timedelta64[D]")).astype("datetime64[ns]"),
        "entry": entry_days * speed,
        "exit": exit_days * speed,
        "failed": failed,
        "lower": np.nan,
        "upper": np.nan,
        "count": 1.0,
        "mode": np.full(n, None, dtype=object),
        "found_at": np.full(n, None, dtype=object),
        "ending": np.where(failed, "failure", np.where(running, "running", "out_of_service")),
        "running": running,
        "fittable": True,
        "entry_miles": entry_days * speed,
        "exit_miles": exit_days * speed,
        "entry_hours": np.nan,
        "exit_hours": np.nan,
        "entry_days": entry_days,
        "exit_days": exit_days,
        "entry_cycles": np.nan,
        "exit_cycles": np.nan,
        "end_cost": np.nan,
        "regreases": 0,
        "longest_gap_miles": np.nan,
        "cups_purged_mean": np.nan,
        "days_since_service": np.minimum(exit_days, 60.0),
        "miles_since_service": np.minimum(exit_days, 60.0) * speed,
    }
    for factor in ("home_shop", "region", "model_year"):
        frame[factor] = units[factor].to_numpy()[who]
    for factor in ("lot", "shop", "crew", "clamp_tool", "grease_grade"):
        frame[factor] = made[factor].to_numpy()
    return pd.DataFrame(frame)


EPISODE_COLUMNS = [
    "life_id",
    "unit_id",
    "position",
    "component",
    "duty_cycle",
    "hardware",
    "shop",
    "entry",
    "exit",
    "failed",
    "lower",
    "upper",
    "practised_miles",
    "practice_source",
    "raw_practised_miles",
    "gaps_behind",
    "entry_date",
    "exit_date",
    "entry_miles",
    "exit_miles",
    "cups_purged_before",
    "grease_grade_before",
]


def _history(lives: pd.DataFrame, units: pd.DataFrame) -> History:
    empty = pd.DataFrame()
    return History(
        basis=Basis("simulated", (), AS_OF, "miles", 0.9, (), len(lives), int(lives["failed"].sum())),
        cautions=(),
        config=FleetConfig(records_from=RECORDS_FROM, as_of=AS_OF),
        as_of=AS_OF,
        scale="miles",
        factors=FACTORS,
        lives=lives,
        episodes=pd.DataFrame(columns=EPISODE_COLUMNS),
        gaps=empty,
        stops=empty,
        units=units.drop(columns=["z"]),
        plan=empty,
        measurements=pd.DataFrame(
            columns=[
                "unit_id",
                "position",
                "component",
                "duty_cycle",
                "life_id",
                "date",
                "miles",
                "age_miles",
                "quantity",
                "value",
                "unit",
            ]
        ),
        left_out=empty,
        groups=empty,
        meters=empty,
    )

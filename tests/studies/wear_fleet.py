"""Simulated wear readings for the tests and studies of measured wear; invented, seeded."""

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd

from tests.curve_histories import make_history, make_lives
from wearlab.history.config import FleetConfig, Limits, WearLimit
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]
LIMIT = 0.006


@dataclass(frozen=True)
class WearPlan:
    """How parts wear: rate per mile by class, its spread (lognormal), start, reading error, readings per part."""

    parts: int = 90
    rates: tuple[tuple[str, float], ...] = (("line_haul", 1.2e-8), ("regional", 2.4e-8), ("vocational", 6e-8))
    spread: float = 0.3
    start: float = 0.0008
    start_spread: float = 0.0002
    error: float = 0.0003
    readings: tuple[int, int] = (1, 6)  # least and most
    replaced_at: float | None = None  # a part is replaced (and read no more) once read above this
    practice: float = 0.0  # rate goes with miles per regrease stop (6,000 to 24,000) to this power


def measured_fleet(plan: WearPlan, seed: int) -> tuple[History, FloatArray]:
    """Return a history with measurements, and the true age at which each part reaches the limit."""
    rng = np.random.default_rng(seed)
    names = [name for name, _ in plan.rates]
    duty = np.array(names, dtype=object)[np.arange(plan.parts) % len(names)]
    typical = np.array([dict(plan.rates)[name] for name in duty])
    rate = typical * np.exp(plan.spread * rng.standard_normal(plan.parts) - plan.spread**2 / 2)
    stop = np.exp(np.random.default_rng((seed, 1)).uniform(np.log(6e3), np.log(24e3), plan.parts))
    rate = rate * (stop / 12e3) ** plan.practice
    start = np.maximum(plan.start + plan.start_spread * rng.standard_normal(plan.parts), 0.0)
    now = rng.uniform(0.1, 0.8, plan.parts) * (LIMIT - plan.start) / typical
    rows = []
    running = np.ones(plan.parts, dtype=bool)
    for i in range(plan.parts):
        ages = np.sort(rng.uniform(0.05, 1.0, rng.integers(plan.readings[0], plan.readings[1] + 1))) * now[i]
        for age in ages:
            value = start[i] + rate[i] * age + plan.error * rng.standard_normal()
            rows.append((i, age, max(value, 0.0)))
            if plan.replaced_at is not None and value > plan.replaced_at:
                running[i], now[i] = False, age
                break
    table = pd.DataFrame(rows, columns=["life_id", "age_miles", "value"])
    units = np.array([f"T{i:04d}" for i in range(plan.parts)], dtype=object)
    which = table["life_id"].to_numpy()
    table = table.assign(
        unit_id=units[which],
        position="main.joint.1",
        component="joint",
        duty_cycle=duty[which],
        date=pd.Timestamp("2025-01-01") + pd.to_timedelta(np.arange(len(table)) % 400, unit="D"),
        miles=table["age_miles"],
        quantity="joint_play",
        unit="in",
    )
    lives = make_lives(now, np.zeros(plan.parts), unit_id=units, component="joint", duty_cycle=duty, exit_miles=now)
    lives = lives.assign(running=running, ending=np.where(running, "running", "planned"))
    known = {"entry": 0.0, "exit": now, "practised_miles": stop} if plan.practice else {}
    episodes = pd.DataFrame({"life_id": lives["life_id"], **known}) if known else pd.DataFrame()
    config = FleetConfig(limits=Limits(wear={"joint_play": WearLimit(LIMIT, "in", "invented")}))
    history = replace(make_history(lives, config), measurements=table, episodes=episodes, as_of=date(2026, 6, 30))
    return history, (LIMIT - start) / rate


def miles_left(history: History, crossing: FloatArray) -> FloatArray:
    """Return the true miles to the limit of every part, 0 where it is past."""
    return np.maximum(crossing - history.lives["exit_miles"].to_numpy(dtype=float), 0.0)

"""Wrong readings of service records and what they cost, from the rows of a work-order export to the printed curve.

Trucks of two duty cycles; parts live by a Weibull of shape 2.2, characteristic life 300 (line-haul) or 150 thousand
miles. The record begins years after the oldest trucks went into service. Looks, every 50 thousand miles and when the
record begins and ends, find half of the failures; the others break down. Parts of a certain age are changed as a
precaution, and many are still running.
For each wrong reading the tool's answer is within two of its standard errors of the truth and the wrong one is not.
"""

from collections.abc import Callable, Iterator
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.fleet_rows import history_of, place, reading, service, truck
from wearlab.curves.batch import fit_weibulls
from wearlab.curves.fit import Fit, fit_strata
from wearlab.curves.observations import make_observations
from wearlab.history.config import FleetConfig

SHAPE, ETAS, RATE, LOOK = 2.2, {"line_haul": 300_000.0, "vocational": 150_000.0}, 150.0, 50_000.0
BEGIN, END = date(2020, 7, 1), date(2024, 12, 31)
CONFIG = FleetConfig(records_from=BEGIN, same_event_days=0, same_event_miles=0.0)


def live_parts(rng: np.random.Generator, duty: str, seen_from: float, last: float) -> Iterator[tuple[float, str]]:
    """Yield the meter at which each part of one truck is changed and why, up to the truck's last meter."""
    at = 0.0
    while at < last:
        life, planned = ETAS[duty] * rng.weibull(SHAPE), ETAS[duty] * rng.normal(0.75, 0.08)
        end, why = (at + life, "failure") if life <= planned else (at + planned, "planned")
        if why == "failure" and rng.random() < 0.5:
            looks = [at + LOOK * np.ceil(life / LOOK), at + planned, seen_from, last]
            end, why = min(look for look in looks if look >= end), "found"
        yield end, why
        at = end


def draw_fleet(seed: int, trucks: int = 450) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of a fleet: nothing before the record begins but the age of the part then in place."""
    rng = np.random.default_rng(seed)
    rows: dict[str, list[dict[str, Any]]] = {"units": [], "positions": [], "services": [], "readings": []}
    for number in range(trucks):
        name, duty = f"T{number:04d}", ("line_haul", "vocational")[number % 2]
        start = date(2014, 1, 1) + timedelta(days=int(rng.integers(0, 3600)))
        seen_from, last = max(0.0, RATE * (BEGIN - start).days), RATE * (END - start).days

        def day(miles: float, start: date = start) -> str:
            return (start + timedelta(days=round(miles / RATE))).isoformat()

        changes = [(round(end / RATE) * RATE, why) for end, why in live_parts(rng, duty, seen_from, last)]
        fitted = max([0.0, *(end for end, _ in changes if end <= seen_from)])
        rows["units"].append(truck(name, duty_cycle=duty, in_service_date=start))
        installed = {"installed_date": date.fromisoformat(day(fitted)), "installed_miles": fitted}
        rows["positions"].append(place(unit_id=name, **installed))
        rows["readings"] += [reading(day(miles), miles, unit_id=name) for miles in (seen_from + RATE, last)]
        for end, why in changes:
            if end <= seen_from:
                continue
            looks = np.arange(fitted + LOOK, min(end, last), LOOK)
            rows["services"] += [
                service("inspect", day(look), None, name, miles=round(look / RATE) * RATE)
                for look in looks[looks > seen_from + RATE]
            ]
            if end <= last:
                found = {} if why == "planned" else {"found_at": "inspection" if why == "found" else "breakdown"}
                reason = "planned" if why == "planned" else "failure"
                rows["services"].append(service("replace", day(end), "j1", name, miles=end, reason=reason, **found))
            fitted = end
    return rows


Wrong = Callable[[pd.DataFrame], tuple[Any, Any, Any]]
WRONG: dict[str, Wrong] = {
    "running parts dropped": lambda lives: (lives["exit"][lives["failed"]], lives["failed"][lives["failed"]], None),
    "late entry ignored": lambda lives: (lives["exit"], lives["failed"], None),
    "age restarted at the first record": lambda lives: (lives["exit"] - lives["entry"], lives["failed"], None),
    "found at inspection read as exact": lambda lives: (lives["exit"], lives["failed"], lives["entry"]),
    "planned replacements read as failures": lambda lives: (
        lives["exit"],
        lives["failed"] | (lives["ending"] == "planned"),
        lives["entry"],
    ),
}


@pytest.fixture(scope="module")
def fleet() -> tuple[pd.DataFrame, dict[str, Fit]]:
    """Return the lives of one fleet as the tool reads them, and its printed curve of each duty cycle."""
    history = history_of(draw_fleet(65), config=CONFIG)
    result = fit_strata(history, by=("duty_cycle",), component="joint", mode=None, level=0.9, seed=1)
    fits = {dict(item.stratum)["duty_cycle"]: item for item in getattr(result, "items", ()) if isinstance(item, Fit)}
    assert set(fits) == set(ETAS)
    return history.lives[history.lives["fittable"].astype(bool)], fits  # type: ignore[return-value]


def off(fit: Fit, shape: float, eta: float) -> tuple[float, float]:
    """Return how many of the tool's standard errors another shape and characteristic life lie from the truth."""
    errors = []
    for estimate, value, true in (
        (fit.shape, shape, SHAPE),
        (fit.eta, eta, ETAS[dict(fit.stratum)["duty_cycle"] or ""]),
    ):
        assert estimate.low is not None
        assert estimate.high is not None
        errors.append(abs(np.log(value / true)) / (np.log(estimate.high / estimate.low) / (2 * 1.6449)))
    return errors[0], errors[1]


def test_the_printed_curves_are_the_true_ones(fleet: tuple[pd.DataFrame, dict[str, Fit]]) -> None:
    lives, fits = fleet
    assert (lives["entry"] > 0).mean() > 0.1
    assert (lives["lower"] < lives["upper"]).sum() > 50
    for fit in fits.values():
        assert fit.failures > 80
        assert max(off(fit, fit.curve.shape, fit.curve.eta)) < 2


@pytest.mark.parametrize("practice", WRONG)
def test_a_wrong_reading_of_the_same_records_is_far_from_the_truth(
    fleet: tuple[pd.DataFrame, dict[str, Fit]], practice: str
) -> None:
    lives, fits = fleet
    farthest = 0.0
    for duty, fit in fits.items():
        exit_, failed, entry = WRONG[practice](lives[lives["duty_cycle"] == duty])
        obs = make_observations(exit_, failed, entry=entry)
        wrong = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
        farthest = max(farthest, *off(fit, float(wrong.shape[0]), float(np.exp(wrong.log_eta[0]))))
    assert farthest > 2


def test_duty_cycles_pooled_hide_both(fleet: tuple[pd.DataFrame, dict[str, Fit]]) -> None:
    lives, fits = fleet
    obs = make_observations(
        lives["exit"], lives["failed"], entry=lives["entry"], lower=lives["lower"], upper=lives["upper"]
    )
    pooled = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    for fit in fits.values():
        assert max(off(fit, float(pooled.shape[0]), float(np.exp(pooled.log_eta[0])))) > 2

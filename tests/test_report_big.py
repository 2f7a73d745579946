"""The page of a large fleet: it sums up, says what it leaves to the files, and stays small.

How long it takes is measured by ``python -m tests.benchmarks.page``.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.fake_study import FakeResult, Names, make_basis, make_study
from wearlab.show.report import render_report
from wearlab.study import Study

MOST_BYTES = 5_000_000
SIZES = [(1_000, 12), (100_000, 60)]  # trucks and duty cycles


def many(frame: pd.DataFrame, rows: int) -> pd.DataFrame:
    """A frame repeated until it has that many rows, each on a truck of its own."""
    long = frame.iloc[np.arange(rows) % len(frame)].reset_index(drop=True)
    return long.assign(unit_id=[f"T{number:06}" for number in range(rows)])


def by_class(frame: pd.DataFrame, column: str, classes: int) -> pd.DataFrame:
    """A frame repeated for that many classes."""
    parts = [frame.assign(**{column: f"class_{number}"}) for number in range(classes)]
    return pd.concat(parts, ignore_index=True)


def make_big_study(trucks: int, classes: int) -> Study:
    """A study of many trucks, in many classes, with flagged trucks, tasks and wear by the thousand."""
    study, basis = make_study(), make_basis(Names())
    tables = {
        name: dict(getattr(study, name).tables()) for name in ("fits", "recommendation", "early", "forecast", "work")
    }
    one = tables["fits"]["curves"].head(49)
    tables["fits"]["curves"] = by_class(one, "duty_cycle", classes)
    tables["fits"]["fits"] = by_class(tables["fits"]["fits"].head(1), "duty_cycle", classes)
    for name in ("regrease", "effects", "bands", "cost_curve"):
        tables["recommendation"][name] = by_class(tables["recommendation"][name].tail(2), "duty_cycle", classes)
    tables["early"]["units"] = many(tables["early"]["units"], 4 * trucks)
    tables["forecast"]["units"] = many(tables["forecast"]["units"], 7 * trucks)
    tables["work"]["work"] = many(tables["work"]["work"], 2 * trucks)
    row = {"position": "main.joint.1", "quantity": "joint_play", "unit": "in", "measurements": 3, "latest": 0.005}
    parts = pd.DataFrame([row | {"limit": 0.006, "miles_to_limit": 8e3, "low": 2e3, "high": 2e4}])
    measured = pd.DataFrame(
        {"position": "main.joint.1", "quantity": "joint_play", "unit": "in", "life_id": 7, "value": 0.004},
        index=range(3 * trucks),
    )
    measured["unit_id"] = [f"T{number // 3:06}" for number in range(3 * trucks)]
    measured["age_miles"] = np.tile([2e4, 5e4, 9e4], trucks)
    history = study.history
    gaps = by_class(history.gaps.sample(20 * trucks, replace=True, random_state=1), "duty_cycle", 1)
    gaps["duty_cycle"] = [f"class_{number % classes}" for number in range(len(gaps))]
    meters = many(history.meters, 20 * trucks)
    meters["unit_id"] = meters["unit_id"].str.slice(0, 5)
    units = many(history.units, trucks)
    history = replace(history, gaps=gaps, meters=meters, units=units, measurements=measured)
    results = {name: FakeResult(frames, basis) for name, frames in tables.items()}
    return replace(study, **results, wear=FakeResult({"parts": many(parts, trucks)}, basis), history=history)


@pytest.mark.parametrize(("trucks", "classes"), SIZES)
def test_a_fleet_of_any_size_is_one_small_page(trucks: int, classes: int) -> None:
    study = make_big_study(trucks, classes)
    page = render_report(study)
    assert len(page.encode()) < MOST_BYTES
    assert f"12 of {4 * trucks:,} rows; all of them in" in page
    assert f"Drawn are the 8 largest of {classes} duty cycles" in page
    assert f"Drawn are the 5 largest of {classes} groups" in page
    assert page.count('<svg class="chart"') < 60

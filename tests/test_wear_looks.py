"""Measured wear and practice, when to look again, and wear beside the forecast from lives."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from tests.studies.forecast_fleet import Plan, look, simulate_fleet
from tests.studies.wear_fleet import LIMIT, WearPlan, measured_fleet, miles_left
from wearlab.answers.wear import Wear, measure_wear
from wearlab.answers.wear_beside import Beside, set_beside
from wearlab.answers.wear_inspections import UNSEEN, WATCH, chance_past, look_within
from wearlab.answers.wear_rates import Readings, fit_lines
from wearlab.evidence import Unanswered
from wearlab.history.config import FleetConfig, Limits, WearLimit
from wearlab.history.lives import History


def _quiet(text: str) -> None:
    del text


def _measure(history: History) -> Wear:
    made = measure_wear(history, level=0.9)
    assert isinstance(made, Wear)
    return made


def _practised(power: float, seed: int, parts: int = 240) -> History:
    """A fleet whose trucks are greased at 6,000 to 24,000 miles, wear going with that to a power."""
    return measured_fleet(WearPlan(parts=parts, readings=(2, 6), practice=power or 1e-12), seed)[0]


def test_practice_that_wears_parts_faster_is_found_and_used() -> None:
    made = _measure(_practised(0.5, 1))
    rates = made.rates
    assert rates["practice_taken"].all()
    assert (rates["practice_low"] < 0.5).all()
    assert (rates["practice_high"] > 0.5).all()
    assert rates["practice_low"].iloc[0] > 0.2
    assert "wear-practice" in {caution.code for caution in made.cautions}


def test_a_part_read_once_takes_the_rate_of_its_practice() -> None:
    made = _measure(_practised(0.8, 2))
    once = made.parts[(made.parts["measurements"] == 2) & (made.parts["duty_cycle"] == "regional")]
    rank = once[["rate", "practised_miles"]].corr(method="spearman").iloc[0, 1]
    assert rank > 0.5


def test_practice_that_does_nothing_is_seldom_used() -> None:
    taken = [bool(_measure(_practised(0.0, seed, 90)).rates["practice_taken"].any()) for seed in range(6)]
    assert sum(taken) <= 2  # 5 % of 6 are 0.3; 3 or more would come by chance once in 450


def test_the_chance_of_being_past_the_limit_is_that_of_the_line() -> None:
    age = np.tile([1.0, 2.0, 3.0, 4.0], 40)
    part = np.repeat(np.arange(40), 4)
    rng = np.random.default_rng(1)
    rate = 1.0 + 0.1 * rng.standard_normal(40)
    value = 0.5 + rate[part] * age + 0.05 * rng.standard_normal(160)
    lines = fit_lines(Readings(age, value, part, np.zeros(40, dtype=np.int64)))
    assert lines is not None
    at = np.full(40, 6.0)
    spread = np.sqrt(lines.covariance[:, 0, 0] + 12 * lines.covariance[:, 0, 1] + 36 * lines.covariance[:, 1, 1])
    expected = norm.cdf((lines.start + 6 * lines.rate - 6.5) / spread)
    assert chance_past(lines, 6.5, at) == pytest.approx(expected, abs=0.02)
    within = look_within(lines, 6.5, np.full(40, 4.0), 100.0)
    assert chance_past(lines, 6.5, 4.0 + within) == pytest.approx(np.full(40, UNSEEN), abs=1e-6)


def test_few_parts_pass_their_limit_before_the_day_named_for_the_next_look() -> None:
    held = []
    for seed in range(6):
        history, crossing = measured_fleet(WearPlan(parts=150, readings=(2, 6)), 40 + seed)
        parts = _measure(history).parts.set_index("unit_id")
        true = pd.Series(miles_left(history, crossing), index=history.lives["unit_id"]).reindex(parts.index)
        fresh = parts["look_within"] > 0
        held.append((true[fresh] >= parts.loc[fresh, "look_within"]).mean())
    assert np.mean(held) > 1 - 1.6 * UNSEEN


def test_parts_found_below_two_thirds_of_the_limit_seldom_pass_it_within_the_interval() -> None:
    history, crossing = measured_fleet(WearPlan(parts=300, readings=(2, 6)), 9)
    made = _measure(history)
    every = made.rates.set_index("duty_cycle")["look_every"]
    lives = history.lives.set_index("unit_id")
    at_watch = crossing * 0 + crossing - (1 - WATCH) * LIMIT / ((LIMIT - 0.0008) / crossing)  # roughly: the true lines
    way = pd.Series(crossing - at_watch, index=history.lives["unit_id"])
    passed = way < every.reindex(lives["duty_cycle"]).to_numpy()
    assert passed.mean() < 0.12


def test_parts_that_may_pass_their_limit_before_the_next_look_are_listed() -> None:
    made = _measure(measured_fleet(WearPlan(parts=150, readings=(3, 6)), 5)[0])
    listed = made.before_next_look
    assert len(listed)
    assert (listed["chance_past_by_then"] >= UNSEEN).all()
    assert listed["chance_past_by_then"].is_monotonic_decreasing
    assert (listed["latest"] < listed["limit"]).all()
    assert (made.rates["usual_miles_between_looks"] > 0).all()
    assert made.rates["start"].to_numpy() == pytest.approx(np.full(3, 0.0008), abs=2e-4)


DAYS = (date(2021, 6, 30), date(2022, 6, 30))
JOINTS = {"joint": (4, 2.0, {"line_haul": 700e3, "regional": 400e3, "vocational": 150e3})}
FLEET = simulate_fleet(Plan(trucks=75, frailty=0.3, components=JOINTS), 5)


def _with_wear(history: History, telling: bool) -> History:
    """Give every joint in service one reading: of how far through its life it is, or of nothing."""
    lives = history.lives
    joints = lives[(lives["component"] == "joint") & lives["fittable"]]
    truth = FLEET.lives.set_index(["truck", "position", "number"])
    key = [(int(unit[1:]), place, number) for unit, place, number in
           zip(joints["unit_id"], joints["position"], joints["life_number"], strict=True)]  # fmt: skip
    whole = (truth["end"] - truth["start"]).reindex(pd.MultiIndex.from_tuples(key)).to_numpy(dtype=float)
    rng = np.random.default_rng(11)
    frames = []
    for share in (0.5, 0.98):
        age = joints["exit"].to_numpy(dtype=float) * share
        worn = LIMIT * age / whole if telling else LIMIT * 0.4 * rng.uniform(0.5, 1.5, len(joints)) * share
        frames.append(
            pd.DataFrame(
                {
                    **{name: joints[name] for name in ("life_id", "unit_id", "position", "component", "duty_cycle")},
                    "date": pd.Timestamp(history.as_of),
                    "miles": age,
                    "age_miles": age,
                    "quantity": "joint_play",
                    "value": np.maximum(worn + 0.0001 * rng.standard_normal(len(joints)), 0.0),
                    "unit": "in",
                }
            )
        )
    limits = Limits(wear={"joint_play": WearLimit(LIMIT, "in", "invented")})
    config: FleetConfig = replace(history.config, limits=limits)
    return replace(history, measurements=pd.concat(frames, ignore_index=True), config=config)


def _beside(telling: bool) -> Beside:
    made = set_beside(
        _with_wear(look(FLEET, date(2023, 6, 30)), telling),
        lambda day: _with_wear(look(FLEET, day), telling),
        DAYS,
        months=12,
        level=0.9,
        seed=1,
        progress=_quiet,
    )
    assert isinstance(made, Beside)
    return made


def test_wear_that_tells_how_far_a_life_is_gone_is_combined_with_lives() -> None:
    made = _beside(telling=True)
    assert made.combined
    scores = made.tried.set_index("method")
    assert scores.loc["together", "brier"] < scores.loc["lives", "brier"]
    assert made.beside["chance_together"].between(0, 1).all()
    assert (made.beside["miles_by_lives"] > 0).all()
    half = made.beside["chance_by_lives"] > 0.5  # likelier than not within the year: the median lies within its miles
    assert (made.beside.loc[half, "miles_by_lives"] < 150_000).all()
    assert "wear-combined" in {caution.code for caution in made.cautions}


def test_wear_that_tells_nothing_is_not_combined_and_that_is_said() -> None:
    made = _beside(telling=False)
    assert not made.combined
    assert made.beside["chance_together"].isna().all()
    assert made.beside[["chance_by_lives", "chance_by_wear"]].notna().all(axis=None)
    assert "wear-not-combined" in {caution.code for caution in made.cautions}


def test_without_measurements_nothing_stands_beside_lives() -> None:
    bare = measured_fleet(WearPlan(parts=12), 1)[0]
    bare = replace(bare, measurements=bare.measurements.iloc[:0])
    assert isinstance(set_beside(bare, lambda _: bare, (), months=12, level=0.9, seed=1, progress=_quiet), Unanswered)

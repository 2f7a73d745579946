"""Trucks and lives with abnormal early failures, on small simulated fleets (invented)."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.studies.fleets import Plan, simulate
from wearlab.answers.early import EarlyFailures, find_early
from wearlab.answers.early_lives import judge_lives
from wearlab.evidence import Unanswered
from wearlab.history.lives import History

UNITS = [
    "unit_id",
    "component",
    "observed",
    "expected",
    "ratio",
    "shrunken_ratio",
    "ratio_low",
    "ratio_high",
    "p_value",
    "q_value",
    "flagged",
]
LIVES = ["unit_id", "position", "age", "u", "q_value", "flagged"]


def _early(history: History, rate: float = 0.05) -> EarlyFailures:
    found = find_early(history, rate=rate, level=0.9, seed=1, progress=lambda _: None)
    assert isinstance(found, EarlyFailures)
    return found


@pytest.fixture(scope="module")
def planted() -> History:
    return simulate(Plan(trucks=200, spread=0.1, bad_trucks={7: 9.0}), 3)


@pytest.fixture(scope="module")
def early(planted: History) -> EarlyFailures:
    return _early(planted)


def test_the_tables_have_their_public_columns_first(early: EarlyFailures) -> None:
    assert list(early.tables()["units"].columns[: len(UNITS)]) == UNITS
    assert list(early.tables()["lives"].columns[: len(LIVES)]) == LIVES


def test_a_truck_that_wears_out_everything_is_flagged_first_and_told_what_to_inspect(early: EarlyFailures) -> None:
    first = early.units.iloc[0]
    assert first["unit_id"] == "T0007"
    assert first["flagged"]
    assert "clamp" in early.units.loc[early.units["component"] == "boot", "inspect"].dropna().iloc[0]
    assert f"{first['observed']:g} failures where" in first["reason"]
    assert "are expected of its class" in first["reason"]


def test_every_truck_and_component_has_one_row(early: EarlyFailures, planted: History) -> None:
    pairs = planted.lives.groupby(["unit_id", "component"]).ngroups
    assert len(early.units) == pairs
    assert early.units["observed"].sum() == planted.lives["failed"].sum()
    assert len(early.lives) == planted.lives["failed"].sum()


def test_a_ratio_lies_in_its_interval_and_nothing_is_missing(early: EarlyFailures) -> None:
    units = early.units
    numbers = units[[c for c in UNITS if c not in ("unit_id", "component", "flagged")]]
    assert np.isfinite(numbers.to_numpy(float)).all()
    for name in ("ratio", "shrunken_ratio"):
        assert (units["ratio_low"] <= units[name]).all()
        assert (units[name] <= units["ratio_high"]).all()
    assert units["p_value"].between(0, 1).all()
    assert (units["q_value"] >= units["p_value"] - 1e-12).all()


def test_shrinking_draws_small_counts_to_one_and_leaves_large_excess_standing(early: EarlyFailures) -> None:
    units = early.units
    between = (units["shrunken_ratio"] - 1.0) * (units["ratio"] - 1.0) >= -0.05
    assert between.all()
    assert units.iloc[0]["shrunken_ratio"] > 2.5


def test_the_order_of_the_rows_does_not_matter(planted: History, early: EarlyFailures) -> None:
    shuffled = planted.lives.sample(frac=1.0, random_state=4)
    again = _early(replace(planted, lives=shuffled))
    pd.testing.assert_frame_equal(again.units, early.units, rtol=1e-12)
    pd.testing.assert_frame_equal(again.lives, early.lives, rtol=1e-12)


def test_kilometres_give_the_same_flags(planted: History, early: EarlyFailures) -> None:
    km = planted.lives.assign(entry=planted.lives["entry"] * 1.609344, exit=planted.lives["exit"] * 1.609344)
    again = _early(replace(planted, lives=km))
    assert again.units["p_value"].to_numpy() == pytest.approx(early.units["p_value"].to_numpy(), rel=1e-7)
    assert again.units["unit_id"].tolist() == early.units["unit_id"].tolist()


def test_healthy_fleets_with_spread_between_trucks_are_left_alone() -> None:
    flagged = sum(
        bool(_early(simulate(Plan(trucks=200, spread=spread), seed)).units["flagged"].any())
        for spread in (0.0, 0.3)
        for seed in range(6)
    )
    assert flagged <= 2  # binomial 12 at 5 %: two or fewer with probability 0.98


def test_a_p_that_knows_how_trucks_differ_is_larger_than_the_poisson_one_for_every_bad_count() -> None:
    units = _early(simulate(Plan(trucks=200, spread=0.3), 6)).units
    many = units[units["observed"] >= units["expected"] + 3]
    assert len(many) > 10
    assert (many["p_value"] > 1.5 * many["p_class_mean"]).all()


def test_parts_that_fail_within_days_of_fitting_are_flagged_one_by_one() -> None:
    history = simulate(Plan(trucks=300, spread=0.0, positions=(("joint", 4),)), 8)
    lives = history.lives.copy()
    infant = lives.index[(lives["duty_cycle"] == "line_haul") & lives["failed"] & (lives["entry"] == 0)][:3]
    lives.loc[infant, ["exit", "exit_miles"]] = 120.0
    lives.loc[infant, "exit_days"] = 3.0
    found = _early(replace(history, lives=lives)).lives
    assert (found["age"].head(3) == 120.0).all()
    assert found["flagged"].tolist() == [True] * 3 + [False] * (len(found) - 3)


def test_u_is_uniform_in_a_healthy_fleet_that_is_followed_to_the_end() -> None:
    rng = np.random.default_rng(2)
    history = _lives_file(200_000 * rng.exponential(size=900) ** (1 / 1.7), np.ones(900, dtype=bool))
    u = _early(history).lives["u"].to_numpy()
    assert np.quantile(u, [0.1, 0.5, 0.9]) == pytest.approx([0.1, 0.5, 0.9], abs=0.05)


def _lives_file(exits: np.ndarray, failed: np.ndarray) -> History:
    history = simulate(Plan(trucks=2), 1)
    n = len(exits)
    lives = pd.DataFrame({name: [None] * n for name in history.lives.columns}).assign(
        life_id=np.arange(n),
        unit_id=[str(i) for i in range(n)],
        entry=0.0,
        exit=exits,
        failed=failed,
        lower=np.nan,
        upper=np.nan,
        count=1.0,
        fittable=True,
        running=~failed,
        life_number=1,
        start_date=pd.NaT,
        end_date=pd.NaT,
        exit_days=np.nan,
        days_since_service=np.nan,
    )
    empty = pd.DataFrame()
    return replace(history, lives=lives, units=empty, episodes=history.episodes.iloc[:0], as_of=None, factors=())


def test_a_plain_lives_file_without_trucks_or_classes_is_answered() -> None:
    rng = np.random.default_rng(3)
    exits = np.concatenate([rng.weibull(3.0, 300) * 1000, [1.0]])
    found = _early(_lives_file(exits, np.concatenate([rng.random(300) < 0.6, [True]])))
    assert found.units["component"].isna().all()
    assert found.lives.iloc[0]["age"] == 1.0
    assert found.lives.iloc[0]["flagged"]


def test_without_a_failure_there_is_no_answer_but_a_reason() -> None:
    found = find_early(
        _lives_file(np.arange(1.0, 9.0), np.zeros(8, dtype=bool)), rate=0.05, level=0.9, seed=1, progress=print
    )
    assert isinstance(found, Unanswered)
    assert "no failure" in found.text


def test_a_life_is_ranked_among_all_that_could_have_failed_not_only_those_that_did() -> None:
    failed = pd.DataFrame(
        {
            "unit_id": ["a"],
            "position": ["p"],
            "component": ["joint"],
            "duty_cycle": ["x"],
            "life_number": [1],
            "entry": [0.0],
            "age": [10.0],
            "start_date": [pd.NaT],
            "end_date": [pd.NaT],
            "exit_days": [np.nan],
            "days_since_service": [np.nan],
            "mode": [None],
            "count": [1.0],
            "hazard": [0.001],
            "variance": [0.0],
            "known": [True],
        }
    )
    assert judge_lives(failed, tried=1, rate=0.05)["flagged"].iloc[0]
    many = judge_lives(failed, tried=500, rate=0.05)
    assert many["q_value"].iloc[0] == pytest.approx(500 * (1 - np.exp(-0.001)), rel=1e-6)
    assert not many["flagged"].iloc[0]


def test_a_second_failure_of_one_position_within_ninety_days_is_tagged_a_repeat_repair(early: EarlyFailures) -> None:
    tagged = early.lives["repeat_repair"]
    assert (early.lives.loc[tagged, "life_number"] > 1).all()
    assert early.units["repeat_repairs"].sum() == tagged.sum()
    assert tagged.any()


def test_the_power_table_says_how_many_failures_it_takes(early: EarlyFailures) -> None:
    power = early.power
    assert power["power"].between(0, 1).all()
    one = power[(power["component"] == "joint") & (power["multiple"] == 7.0)]
    assert one["failures_needed"].is_monotonic_increasing
    assert one["power"].is_monotonic_increasing


def test_repeat_repairs_are_shown_apart(early: EarlyFailures) -> None:
    apart = early.tables()["repeat_repairs"]
    assert (apart["repeat_repair"] | apart["after_service"]).all()
    assert apart["repeat_repair"].sum() == early.lives["repeat_repair"].sum()

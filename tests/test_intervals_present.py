"""The decision for trucks as they stand today: parts at their present ages, over the miles still ahead."""

from dataclasses import replace

import numpy as np
import pytest

from tests.studies.episodes import Truth, draw, three_classes
from tests.test_intervals import ask
from wearlab.answers.intervals_present import PRESENT, tabulate_aged
from wearlab.curves.renewal import expected_failures


@pytest.mark.parametrize("ratio", [0.0, 0.3, 2.0])
def test_without_spread_between_trucks_it_is_the_delayed_renewal_process(ratio):
    table = tabulate_aged(np.array([2.2]), np.array([0.0]), np.array([ratio]))
    spans = np.array([0.4, 1.1, 3.0])
    exact = [float(expected_failures(2.2, 1.0, s, age=ratio * s)) for s in spans]
    assert table.at(spans[None, :])[0] == pytest.approx(exact, rel=4e-3)


def test_with_spread_the_old_parts_are_those_of_easy_trucks():
    shape, variance, ratio, span = 2.0, 0.5, 1.0, 0.8
    found = float(
        tabulate_aged(np.array([shape]), np.array([variance]), np.array([ratio])).at(np.array([[span]]))[0, 0]
    )
    rng = np.random.default_rng(2)
    z = rng.gamma(1 / variance, variance, 400_000)
    z = z[rng.random(len(z)) < np.exp(-z * (ratio * span) ** shape)]  # survived to the present age
    count, age, left = 0, np.full(len(z), ratio * span), np.full(len(z), span)
    trucks = len(z)
    while len(z):
        life = (age**shape + rng.exponential(size=len(z)) / z) ** (1 / shape) - age
        failed = life < left
        count += int(failed.sum())
        z, left = z[failed], (left - life)[failed]
        age = np.zeros(len(z))
    assert found == pytest.approx(count / trucks, rel=0.01)


def test_what_would_move_the_answer_holds_the_trucks_as_they_stand_today():
    history = draw(Truth(three_classes(30, 0.9)), seed=8)
    kept = dict.fromkeys(history.units["duty_cycle"].unique(), 900000.0)
    config = replace(history.config, costs=replace(history.config.costs, ownership_miles=kept))
    result = ask(replace(history, config=config))
    today = result.robustness[result.robustness["change"] == PRESENT]
    assert set(today["duty_cycle"]) == {"line_haul", "regional", "vocational"}
    plain = result.robustness[result.robustness["change"] == "as recommended"].set_index("duty_cycle")
    ratio = today.set_index("duty_cycle")["cost_optimal"] / plain["cost_optimal"]
    assert ratio.between(0.6, 1.6).all()
    short = replace(history.config.costs, ownership_miles=dict.fromkeys(kept, 1_000.0))
    assert PRESENT not in set(ask(replace(history, config=replace(config, costs=short))).robustness["change"])

"""The regrease interval: least cost within limits, each named when it binds, and no change without evidence."""

import numpy as np
import pytest

from wearlab.answers.intervals_costs import PartModel, TruckCosts
from wearlab.answers.intervals_decision import Bounds, choose_interval, one_step_beyond
from wearlab.answers.intervals_evidence import Facts, grade_evidence
from wearlab.answers.intervals_today import Usage
from wearlab.curves.renewal import mean_life, regrease_closed_form, tabulate_renewals

SETS = 120


def part(theta=1.0, error=0.1, *, eta=300_000.0, cost=2000.0, shape=2.2, variance=0.0, name="joint") -> PartModel:
    rng = np.random.default_rng(7)
    thetas = np.concatenate([[theta], theta + error * rng.standard_normal(SETS)])
    shapes, variances = np.full(SETS + 1, shape), np.full(SETS + 1, variance)
    return PartModel(
        component=name,
        positions=4.0,
        cost=cost,
        reference_miles=10_000.0,
        theta=thetas,
        theta_low=theta - 1.645 * error,
        theta_high=theta + 1.645 * error,
        shape=shapes,
        eta=np.full(SETS + 1, eta),
        variance=variances,
        renewals=tabulate_renewals(shapes, variances),
    )


def truck(*parts: PartModel, stop=45.0, ownership=400_000.0) -> TruckCosts:
    usage = Usage(
        duty_cycle="regional",
        trucks=100,
        miles_per_year=60_000.0,
        hours_per_year=1500.0,
        ownership_miles=ownership,
        ownership_given=True,
        life_units_per_mile=1.0,
        current=10_000.0,
        current_mean=10_500.0,
        positions={"joint": 4.0},
        on_road={"joint": 1.0},
    )
    return TruckCosts(usage, stop, parts)


def bounds(**changes) -> Bounds:
    given = {
        "practised_low": 3_000.0,
        "practised_high": 30_000.0,
        "published": None,
        "grid": 500.0,
        "b10": None,
        "failures_per_year": None,
    }
    return Bounds(**(given | changes))


def test_with_a_long_horizon_the_least_cost_is_the_closed_form():
    one = part(1.1, 1e-6)
    costs = truck(one, ownership=15_000_000.0)
    gamma = 1.1 / 2.2
    life = float(mean_life(2.2, 300_000.0)) * 10_000.0**gamma
    best = regrease_closed_form(45.0, 4 * 2000.0, life, gamma)
    choice = choose_interval(costs, bounds(practised_low=best.interval / 2, practised_high=best.interval * 2), 20_000.0)
    assert choice.cost_optimal == pytest.approx(best.interval, rel=0.03)
    assert choice.mean_cost.min() == pytest.approx(best.cost_rate, rel=0.01)


def test_a_proven_effect_shortens_to_the_least_cost_on_the_grid():
    choice = choose_interval(truck(part(1.0, 0.1)), bounds(), 20_000.0)
    assert choice.recommended % 500 == 0
    assert choice.low <= choice.recommended <= choice.high
    assert choice.limited_by is None


def test_an_effect_that_may_be_nil_keeps_todays_interval():
    choice = choose_interval(truck(part(1.0, 0.7)), bounds(), 20_123.0)
    assert choice.recommended == 20_123.0
    assert choice.limited_by == "evidence"
    assert choice.candidate < 20_000


def test_shortening_must_pay_by_proven_effects_alone():
    proven = part(0.4, 0.05, eta=1_500_000.0)
    unproven = part(1.4, 1.0, name="slip_spline")
    choice = choose_interval(truck(proven, unproven), bounds(), 12_000.0)
    assert choice.recommended == 12_000.0
    assert choice.limited_by == "evidence"


def test_lengthening_goes_one_step_and_says_so():
    choice = choose_interval(truck(part(0.3, 0.05)), bounds(), 6_100.0)
    assert choice.recommended == 7_000.0
    assert choice.limited_by == "one_step"
    assert choice.candidate > 7_000


@pytest.mark.parametrize(
    ("current", "grid", "step"),
    [(14_264.0, 500.0, 16_000.0), (10_000.0, 500.0, 11_000.0), (14_264.0, 5_000.0, 20_000.0)],
)
def test_one_step_is_the_first_multiple_of_the_grid_ten_percent_beyond(current, grid, step):
    assert one_step_beyond(current, grid) == step


def test_an_interval_close_to_todays_changes_nothing():
    best = choose_interval(truck(part(1.0, 0.1)), bounds(), 20_000.0).recommended
    kept = choose_interval(truck(part(1.0, 0.1)), bounds(grid=100.0), best * 1.04)
    assert kept.recommended == best * 1.04
    assert kept.limited_by is None


def test_lengthening_that_might_cost_keeps_todays_interval():
    choice = choose_interval(truck(part(0.3, 0.6)), bounds(), 7_000.0)
    assert choice.candidate > 7_250
    assert choice.recommended == 7_000.0
    assert choice.limited_by == "evidence"


def test_no_recommendation_exceeds_the_published_interval():
    kept = choose_interval(truck(part(0.1, 0.5)), bounds(published=8_200.0), 12_000.0)
    assert kept.recommended == 8_000.0
    assert kept.limited_by == "published_interval"
    longer = choose_interval(truck(part(0.2, 0.02)), bounds(published=8_200.0), 7_600.0)
    assert longer.recommended == 8_000.0
    assert longer.limited_by == "published_interval"


def test_a_published_interval_below_the_practised_range_still_holds():
    choice = choose_interval(truck(part(1.0, 0.1)), bounds(published=2_300.0), 12_000.0)
    assert choice.recommended == 2_000.0
    assert choice.limited_by == "published_interval"


def test_the_edge_of_practice_is_named_when_it_binds():
    choice = choose_interval(truck(part(1.0, 0.1)), bounds(practised_low=9_000.0), 20_000.0)
    assert choice.recommended == 9_000.0
    assert choice.limited_by == "practised_range"


def test_a_target_binds_and_is_named():
    costs = truck(part(1.0, 0.1))
    free = choose_interval(costs, bounds(), 20_000.0).recommended
    b10 = float(costs.parts[0].life_at(np.array([free - 1_000.0]), 0.1)[0, 0])
    choice = choose_interval(costs, bounds(b10=b10), 20_000.0)
    assert choice.recommended == free - 1_000.0
    assert choice.limited_by == "target"
    missed = choose_interval(costs, bounds(b10=10 * b10), 20_000.0)
    assert missed.target_missed
    assert missed.recommended == 3_000.0


def test_failures_per_truck_year_can_be_the_target():
    costs = truck(part(1.0, 0.1))
    free = choose_interval(costs, bounds(), 20_000.0).recommended
    rate = float(costs.failures_per_mile(np.array([free - 500.0]))[0, 0]) * 60_000
    choice = choose_interval(costs, bounds(failures_per_year=rate * 1.0001), 20_000.0)
    assert choice.recommended == free - 500.0
    assert choice.limited_by == "target"


def test_at_the_least_cost_nothing_changes_and_nothing_is_blamed():
    best = choose_interval(truck(part(1.0, 0.1)), bounds(), 20_000.0).recommended
    choice = choose_interval(truck(part(1.0, 0.1)), bounds(), best + 120.0)
    assert choice.recommended == best + 120.0
    assert choice.limited_by is None


def test_a_wider_spread_of_costs_moves_the_least_cost_the_right_way():
    cheap = choose_interval(truck(part(1.0, 0.1), stop=20.0), bounds(), 20_000.0).cost_optimal
    dear = choose_interval(truck(part(1.0, 0.1), stop=120.0), bounds(), 20_000.0).cost_optimal
    assert cheap < dear


def facts(**changes) -> Facts:
    given = {
        "theta_low": 0.2,
        "failures": 80,
        "trucks": 60,
        "probability_better": 0.97,
        "range_ratio": 3.5,
        "reliability_ratio": 0.95,
        "same_sign": True,
        "control_clear": True,
        "lengthens": False,
    }
    return Facts(**(given | changes))


@pytest.mark.parametrize(
    ("changes", "grade"),
    [
        ({}, "strong"),
        ({"probability_better": 0.93}, "moderate"),
        ({"range_ratio": 2.9}, "moderate"),
        ({"reliability_ratio": 0.8}, "moderate"),
        ({"reliability_ratio": 0.6}, "weak"),
        ({"same_sign": False}, "moderate"),
        ({"control_clear": False}, "moderate"),
        ({"lengthens": True}, "moderate"),
        ({"failures": 59}, "weak"),
        ({"trucks": 39}, "weak"),
        ({"probability_better": 0.89}, "weak"),
        ({"theta_low": 0.0}, "weak"),
        ({"theta_low": None}, "weak"),
    ],
)
def test_evidence_is_graded_by_the_written_rules(changes, grade):
    assert grade_evidence(facts(**changes)) == grade

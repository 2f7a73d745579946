"""The one door to lifelines: what it answers, what it refuses, and the traps that are closed here."""

import numpy as np
import pytest

from tests.curve_data import load_case
from tests.curve_histories import make_lives
from wearlab.curves.batch import fit_weibulls
from wearlab.curves.engine import EngineFit, agrees, fit_with_engine
from wearlab.curves.observations import Observations, make_observations, observations
from wearlab.curves.weibull import Weibull


def inspected_late() -> Observations:
    """Return residents of a home seen once a year, who entered late: intervals and delayed entry together."""
    obs = load_case("channing_male")
    lower = np.floor(obs.exit / 12) * 12
    keep = lower + 12 > obs.entry
    return make_observations(
        (lower + 12)[keep], obs.failed[keep], entry=obs.entry[keep], lower=lower[keep], upper=(lower + 12)[keep]
    )


def test_intervals_with_late_entry_are_right_when_started_from_the_maximum() -> None:
    obs = inspected_late()
    fits = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    own = Weibull(float(fits.shape[0]), float(np.exp(fits.log_eta[0])))
    assert agrees(fit_with_engine(obs, own), own, tolerance=1e-6)


def test_an_answer_far_from_the_maximum_is_not_taken() -> None:
    own = Weibull(2.0, 100.0)
    assert not agrees(EngineFit(None, ("refused",)), own)
    assert not agrees(EngineFit(Weibull(2.01, 100.0), ()), own)
    assert agrees(EngineFit(Weibull(2.00001, 100.0005), ()), own)


def test_a_refusal_is_a_result_and_no_warning_leaks() -> None:
    obs = load_case("ball_bearing")
    broken = Observations(
        np.full(len(obs), np.nan), obs.exit * np.nan, obs.failed, obs.lower, obs.upper, obs.count, obs.truck
    )
    found = fit_with_engine(broken, Weibull(2.0, 80.0))
    assert found.curve is None
    assert found.warnings


@pytest.mark.parametrize("scale", [1e-6, 1.0, 1e9])
def test_units_of_age_do_not_matter_to_the_agreement(scale: float) -> None:
    obs = load_case("diesel_fan")
    scaled = make_observations(obs.exit * scale, obs.failed, count=obs.count)
    fits = fit_weibulls(scaled, np.zeros(len(obs), dtype=np.int64), strata=1)
    own = Weibull(float(fits.shape[0]), float(np.exp(fits.log_eta[0])))
    assert agrees(fit_with_engine(scaled, own), own, tolerance=1e-6)


def test_rows_are_matched_by_place_not_by_label() -> None:
    lives = make_lives([10.0, 20.0, 30.0], [1, 0, 1])
    shuffled = lives.set_axis([2, 0, 1])
    np.testing.assert_array_equal(observations(shuffled).exit, observations(lives).exit)
    np.testing.assert_array_equal(observations(shuffled).failed, observations(lives).failed)

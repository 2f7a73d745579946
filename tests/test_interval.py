"""Likelihood-ratio intervals: against a profile by brute force, and against the ratio at their own ends."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import chi2

from tests.test_batch import draw_lives, written_out
from wearlab.curves.batch import fit_weibulls, solve_rows
from wearlab.curves.frailty import fit_trucks
from wearlab.curves.interval import hold_life, hold_shape, limit_failed_share, limit_life, limit_shape
from wearlab.curves.newton import Rows, joint_sums
from wearlab.curves.observations import Observations, make_observations
from wearlab.curves.stratum import as_rows
from wearlab.curves.truck_limits import hold_life as hold_truck_life
from wearlab.curves.truck_limits import limit_truck_lives
from wearlab.curves.weibull import Weibull


@pytest.mark.parametrize("between", [0.0, 0.6])
def test_the_ends_of_an_interval_are_where_the_profile_drops_by_half_the_critical_value(between: float) -> None:
    obs = draw_lives(np.random.default_rng(1), 40, shape=2.0, between=between)
    rows, weight = as_rows(obs), np.ones(len(obs))
    found = solve_rows(rows)
    limits = limit_life(rows, found, 0.1, level=0.9)
    level = np.log(-np.log1p(-0.1))
    for end in (limits.low[0], limits.high[0]):
        profile = minimize_scalar(
            lambda b, end=end: -written_out(obs, weight, b, np.log(end) - level / np.exp(b)),
            bracket=(0.0, 1.5),
            tol=1e-10,
        )
        drop = 2 * (found.log_likelihood[0] + profile.fun)
        assert drop == pytest.approx(chi2.ppf(0.9, 1), abs=1e-6)


@pytest.mark.parametrize("shape", [1e-17, 1e-9, 1e-3])
def test_slopes_where_a_shape_is_next_to_nothing_are_those_of_its_limit(shape: float) -> None:
    # As the shape falls, H goes to exp(-a) at every age, an interval's term to log(shape * log(upper / lower) * H).
    obs = make_observations([90.0, 120.0], [1, 0], lower=[60.0, np.nan], upper=[90.0, np.nan])
    sums = joint_sums(as_rows(obs), centre=np.zeros(1))
    by_shape, by_offset, *second = sums.slopes(np.array([shape]), np.array([-12.0]))
    held = np.exp(12.0)
    assert by_offset[0] == pytest.approx(2 * held - 1, rel=1e-2)  # both lives watched, to 60 and to 120; one failure
    assert by_shape[0] == pytest.approx(1 / shape - held * np.log(60.0 * 120.0), rel=2e-2)
    assert np.isfinite(second).all()


def test_an_interval_holds_a_value_exactly_when_the_ratio_there_is_small_enough() -> None:
    rng = np.random.default_rng(2)
    obs = draw_lives(rng, 40 * 60, shape=1.5)
    run = np.sort(rng.integers(0, 60, len(obs)))
    kept = obs.take(np.argsort(run, kind="stable"))
    start = np.searchsorted(run, np.arange(60)).astype(np.int64)
    rows = Rows(start, kept.entry, kept.exit, kept.failed, kept.lower, kept.upper, kept.count)
    found = solve_rows(rows)
    limits, shapes = limit_life(rows, found, 0.1, level=0.9), limit_shape(rows, found, level=0.9)
    truth = 300 * (-np.log(0.9)) ** (1 / 1.5)
    for held, low, high, value in (
        (hold_life(rows, found, 0.1, truth), limits.low, limits.high, truth),
        (hold_shape(rows, found, 1.5), shapes.low, shapes.high, 1.5),
    ):
        small = 2 * (found.log_likelihood - held) <= chi2.ppf(0.9, 1)
        np.testing.assert_array_equal(small, (low <= value) & (value <= high))
        assert 0.75 <= small.mean() <= 1.0


def test_the_interval_of_a_share_at_an_age_is_the_interval_of_the_age_read_the_other_way() -> None:
    obs = draw_lives(np.random.default_rng(3), 60, shape=2.5)
    rows = as_rows(obs)
    found = solve_rows(rows)
    age = limit_life(rows, found, 0.1, level=0.9).low
    assert limit_failed_share(rows, found, age, level=0.9).high[0] == pytest.approx(0.1, rel=1e-7)


def test_many_strata_at_once_have_the_limits_of_each_alone() -> None:
    obs = draw_lives(np.random.default_rng(4), 120, shape=2.0, between=0.3)
    half = len(obs) // 2
    both = Rows(np.array([0, half]), obs.entry, obs.exit, obs.failed, obs.lower, obs.upper, obs.count)
    together = limit_life(both, solve_rows(both), 0.1, level=0.9)
    for number, part in enumerate((obs.take(np.arange(half)), obs.take(np.arange(half, len(obs))))):
        rows = as_rows(part)
        alone = limit_life(rows, solve_rows(rows), 0.1, level=0.9)
        assert together.low[number] == pytest.approx(alone.low[0], rel=1e-8)
        assert together.high[number] == pytest.approx(alone.high[0], rel=1e-8)


def shared_trucks(seed: int) -> Observations:
    rng = np.random.default_rng(seed)
    trucks = np.repeat(np.arange(30), 5)
    life = 200 * (rng.exponential(size=150) / rng.gamma(2.0, 0.5, 30)[trucks]) ** 0.5
    return make_observations(np.minimum(life, 160.0), life <= 160.0, truck=trucks)


def test_the_truck_interval_ends_where_its_own_profile_drops() -> None:
    obs = shared_trucks(5)
    plain = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    fit = fit_trucks(obs, Weibull(float(plain.shape[0]), float(np.exp(plain.log_eta[0]))))
    assert fit is not None
    for end in limit_truck_lives(fit, np.array([0.1]), level=0.9)[0]:
        assert end is not None
        drop = 2 * (fit.log_likelihood - hold_truck_life(fit, 0.1, end))
        assert drop == pytest.approx(chi2.ppf(0.9, 1), abs=1e-4)


def test_an_end_without_limit_is_blank_never_infinite() -> None:
    obs = make_observations([10.0, 11.0, 12.0, 12.0], [1, 1, 0, 0], entry=[9.0, 9.0, 9.0, 9.0])
    rows = as_rows(obs)
    found = solve_rows(rows)
    limits = limit_life(rows, found, 0.5, level=0.9)
    assert np.isnan(limits.low[0])
    assert not np.isinf(limits.high[0])

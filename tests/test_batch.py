"""Many Weibull fits at once, against a likelihood written out and maximised by scipy, and against invariances."""

import numpy as np
import pytest
from scipy.optimize import minimize

from wearlab.curves.batch import fit_weibulls
from wearlab.curves.observations import Observations, make_observations
from wearlab.evidence import DataError


def draw_lives(
    rng: np.random.Generator, size: int, *, shape: float, late: float = 0.4, between: float = 0.0, step: float = 60.0
) -> Observations:
    """Return simulated lives of characteristic life 300: late entry, suspensions, a share found only at inspections."""
    life, watched = 300 * rng.weibull(shape, size), rng.uniform(50, 500, size)
    entry = np.where(rng.random(size) < late, rng.uniform(0, 250, size), 0.0)
    exit_, failed = np.minimum(life, watched), life <= watched
    found = failed & (rng.random(size) < between)
    lower = np.where(found, np.floor(life / step) * step, np.nan)
    upper = np.where(found, np.floor(life / step) * step + step, np.nan)
    seen = (life > entry) & (np.where(found, upper, exit_) > entry)
    return make_observations(exit_[seen], failed[seen], entry=entry[seen], lower=lower[seen], upper=upper[seen])


def written_out(obs: Observations, weight: np.ndarray, log_shape: float, log_eta: float) -> float:
    """Return the log-likelihood, written out life by life."""
    shape = np.exp(log_shape)
    total = 0.0
    for row in range(len(obs)):
        hazard = [(age / np.exp(log_eta)) ** shape for age in (obs.entry[row], obs.exit[row])]
        value = hazard[0]
        if obs.between[row]:
            below = (obs.lower[row] / np.exp(log_eta)) ** shape
            value += np.log(np.exp(-below) - np.exp(-hazard[1]))
        else:
            value -= hazard[1]
            if obs.failed[row]:
                value += log_shape - log_eta + (shape - 1) * (np.log(obs.exit[row]) - log_eta)
        total += weight[row] * value
    return total


@pytest.mark.parametrize(("seed", "between"), [(seed, between) for seed in range(4) for between in (0.0, 0.5, 1.0)])
def test_fit_is_the_maximum_of_the_likelihood_written_out(seed: int, between: float) -> None:
    rng = np.random.default_rng(seed)
    obs = draw_lives(rng, 60, shape=2.2, between=between)
    weight = rng.integers(0, 4, len(obs)).astype(float)
    fits = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1, weights=weight)
    place = np.array([np.log(fits.shape[0]), fits.log_eta[0]])
    assert fits.converged[0]
    assert fits.log_likelihood[0] == pytest.approx(written_out(obs, weight, *place), rel=1e-11)
    direct = minimize(
        lambda x: -written_out(obs, weight, *x),
        place + 0.05,
        method="Nelder-Mead",
        options={"fatol": 1e-13, "xatol": 1e-9},
    )
    assert -direct.fun <= fits.log_likelihood[0] + 1e-9
    np.testing.assert_allclose(direct.x, place, atol=2e-6)
    step = 1e-4  # the slope of the written-out likelihood at the fit, by central differences
    for axis in np.eye(2):
        ends = [written_out(obs, weight, *(place + sign * step * axis)) for sign in (1, -1)]
        assert abs(ends[0] - ends[1]) / (2 * step) < 1e-5


def test_shape_one_gives_exposure_over_failures() -> None:
    # Closed form: with the shape held at 1 the scale is exposure / failures; the fit must do at least as well.
    rng = np.random.default_rng(3)
    life = rng.exponential(100.0, 4000)
    obs = make_observations(np.minimum(life, 150.0), life <= 150.0)
    fits = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    assert abs(fits.shape[0] - 1) < 4 * 0.78 / np.sqrt(obs.failures)
    mean = obs.exit.sum() / obs.failures
    exponential = -obs.failures * (np.log(mean) + 1)
    assert exponential <= fits.log_likelihood[0] <= exponential + 8


def test_units_of_age_do_not_change_the_shape() -> None:
    rng = np.random.default_rng(4)
    obs = draw_lives(rng, 200, shape=2.0, between=0.3)
    shapes = []
    for factor in (1.0, 1.609344, 1e-6, 1e7):
        scaled = make_observations(
            obs.exit * factor, obs.failed, entry=obs.entry * factor, lower=obs.lower * factor, upper=obs.upper * factor
        )
        fits = fit_weibulls(scaled, np.zeros(len(obs), dtype=np.int64), strata=1)
        shapes.append((fits.shape[0], np.exp(fits.log_eta[0]) / factor))
    np.testing.assert_allclose(shapes, np.broadcast_to(shapes[0], (4, 2)), rtol=1e-8)


def test_row_order_and_a_life_split_at_an_entry_point_change_nothing() -> None:
    rng = np.random.default_rng(5)
    obs = draw_lives(rng, 150, shape=2.0, late=0.0)
    whole = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    cut = 0.4 * obs.exit
    split = make_observations(
        np.concatenate([cut, obs.exit]),
        np.concatenate([np.zeros(len(obs)), obs.failed]),
        entry=np.concatenate([np.zeros(len(obs)), cut]),
    ).take(rng.permutation(2 * len(obs)))
    parts = fit_weibulls(split, np.zeros(len(split), dtype=np.int64), strata=1)
    np.testing.assert_allclose(
        [parts.shape[0], parts.log_eta[0], parts.log_likelihood[0]],
        [whole.shape[0], whole.log_eta[0], whole.log_likelihood[0]],
        rtol=1e-9,
    )


def test_a_count_is_the_life_written_so_many_times() -> None:
    rng = np.random.default_rng(6)
    obs = draw_lives(rng, 80, shape=1.5, between=0.4)
    count = rng.integers(1, 5, len(obs))
    counted = make_observations(
        obs.exit, obs.failed, entry=obs.entry, lower=obs.lower, upper=obs.upper, count=count.astype(float)
    )
    repeated = obs.take(np.repeat(np.arange(len(obs)), count))
    one = fit_weibulls(counted, np.zeros(len(counted), dtype=np.int64), strata=1)
    many = fit_weibulls(repeated, np.zeros(len(repeated), dtype=np.int64), strata=1)
    np.testing.assert_allclose([one.shape[0], one.log_eta[0]], [many.shape[0], many.log_eta[0]], rtol=1e-9)


@pytest.mark.parametrize(
    ("exits", "failed", "why"),
    [
        ([10.0, 20.0, 30.0], [0, 0, 0], "no failures"),
        ([30.0, 10.0, 20.0], [1, 0, 0], "failures without spread"),
        ([25.0, 25.0, 25.0], [1, 1, 1], "failures without spread"),
        ([25.0, 25.0, 20.0], [1, 1, 0], "failures without spread"),
    ],
)
def test_a_stratum_without_a_maximum_says_why_and_has_no_number(
    exits: list[float], failed: list[int], why: str
) -> None:
    obs = make_observations(exits, failed)
    fits = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    assert not fits.converged[0]
    assert fits.why[0] == why
    assert np.isnan([fits.shape[0], fits.log_eta[0], fits.log_likelihood[0]]).all()


def test_all_lives_entering_late_may_have_no_maximum_and_say_so() -> None:
    # Failures right after entry, long windows without any later: the likelihood rises toward shape 0.
    obs = make_observations([2.0, 3.0, *[1000.0] * 5], [1, 1, *[0] * 5], entry=[1.0, 1.0, *[10.0] * 5])
    fits = fit_weibulls(obs, np.zeros(7, dtype=np.int64), strata=1)
    assert (fits.converged[0], fits.why[0]) == (False, "no maximum")


def test_one_failure_with_a_part_running_beyond_it_is_a_fit() -> None:
    obs = make_observations([10.0, 30.0], [1, 0])
    assert fit_weibulls(obs, np.zeros(2, dtype=np.int64), strata=1).converged[0]


def test_intervals_that_any_steep_curve_fits_have_no_maximum() -> None:
    obs = make_observations([30.0, 30.0, 10.0], [1, 1, 0], lower=[20.0, 20.0, np.nan], upper=[30.0, 30.0, np.nan])
    fits = fit_weibulls(obs, np.zeros(3, dtype=np.int64), strata=1)
    assert not fits.converged[0]


def test_a_stratum_without_lives_and_lives_in_no_stratum_are_allowed() -> None:
    obs = make_observations([10.0, 30.0, 20.0, 5.0], [1, 0, 1, 1])
    fits = fit_weibulls(obs, np.array([1, 1, 1, -1]), strata=3)
    assert fits.converged.tolist() == [False, True, False]
    assert fits.why.tolist() == ["no failures", "", "no failures"]


@pytest.mark.parametrize(
    ("columns", "reason"),
    [
        ({"entry": [0.0, 20.0]}, "exit"),
        ({"entry": [0.0, 25.0]}, "exit"),
        ({"entry": [0.0, np.nan]}, "entry"),
        ({"entry": [0.0, -1.0]}, "entry"),
        ({"failed": [1, 2]}, "failed"),
        ({"count": [1.0, -1.0]}, "count"),
        ({"exit_": [np.inf, 20.0]}, "exit"),
        ({"lower": [12.0, np.nan], "upper": [10.0, np.nan]}, "lower is above upper"),
        ({"failed": [1]}, "length"),
    ],
)
def test_lives_that_no_likelihood_can_use_are_refused(columns: dict[str, list[float]], reason: str) -> None:
    given: dict[str, list[float]] = {"exit_": [10.0, 20.0], "failed": [1, 1]} | columns
    with pytest.raises(DataError, match=reason):
        make_observations(**given)  # type: ignore[arg-type]


def test_a_thousand_strata_of_two_hundred_lives_all_converge_in_one_call() -> None:
    rng = np.random.default_rng(8)
    obs = draw_lives(rng, 200_000, shape=2.2)
    stratum = rng.integers(0, 1000, len(obs))
    fits = fit_weibulls(obs, stratum, strata=1000)
    assert fits.converged.all()


def test_an_interval_that_begins_before_entry_is_read_from_entry_on() -> None:
    # A part seen good at entry cannot have failed before it, whatever the earlier look says.
    obs = make_observations([50.0, 80.0], [1, 0], entry=[30.0, 0.0], lower=[10.0, np.nan], upper=[50.0, np.nan])
    assert obs.lower[0] == 30.0

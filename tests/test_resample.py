"""Fits to drawn trucks: the interpolant against the direct solution, draws that are shared, and speed."""

import numpy as np
import pytest

from tests.test_batch import draw_lives
from wearlab.curves import resample
from wearlab.curves.batch import fit_weibulls
from wearlab.curves.observations import Observations
from wearlab.curves.resample import draw_trucks, resample_weibulls


def with_trucks(obs: Observations, trucks: int, rng: np.random.Generator) -> Observations:
    return Observations(
        obs.entry, obs.exit, obs.failed, obs.lower, obs.upper, obs.count, rng.integers(0, trucks, len(obs))
    )


@pytest.mark.parametrize(("between", "size", "close"), [(0.0, 120, 1e-5), (0.0, 900, 1e-8), (0.4, 900, 1e-6)])
def test_interpolated_replicates_are_the_direct_solutions(
    between: float, size: int, close: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(1)
    obs = with_trucks(draw_lives(rng, size, shape=2.0, between=between), 60, rng)
    weights = draw_trucks(60, replicates=200, seed=2)
    stratum = np.zeros(len(obs), dtype=np.int64)
    quick = resample_weibulls(obs, stratum, strata=1, truck_weights=weights)
    monkeypatch.setattr(resample, "ENOUGH_EXACT", 1e9)
    monkeypatch.setattr(resample, "ENOUGH_BETWEEN", 1e9)
    direct = resample_weibulls(obs, stratum, strata=1, truck_weights=weights)
    assert quick.converged.all()
    np.testing.assert_allclose(quick.shape, direct.shape, rtol=close)
    np.testing.assert_allclose(quick.log_eta, direct.log_eta, rtol=close)
    np.testing.assert_allclose(quick.log_likelihood, direct.log_likelihood, rtol=close)


def test_a_replicate_is_the_fit_with_its_row_weights() -> None:
    rng = np.random.default_rng(3)
    obs = with_trucks(draw_lives(rng, 400, shape=1.6, between=0.2), 40, rng)
    weights = draw_trucks(40, replicates=3, seed=4)
    stratum = rng.integers(0, 2, len(obs))
    drawn = resample_weibulls(obs, stratum, strata=2, truck_weights=weights)
    for replicate in range(3):
        fits = fit_weibulls(obs, stratum, strata=2, weights=weights[replicate][obs.truck])
        np.testing.assert_allclose(drawn.shape[replicate], fits.shape, rtol=1e-6)


def test_draws_depend_on_the_seed_alone_and_have_mean_one() -> None:
    one, same, other = (draw_trucks(50, replicates=400, seed=seed) for seed in (5, 5, 6))
    np.testing.assert_array_equal(one, same)
    assert (one != other).any()
    assert one.mean() == pytest.approx(1.0, abs=4 / np.sqrt(20_000))


def test_copies_behind_a_number_are_drawn_one_by_one() -> None:
    drawn = draw_trucks(1, replicates=4000, seed=7, copies=np.array([100.0]))
    assert drawn.std() == pytest.approx(0.1, rel=0.1)


def test_replicates_without_failures_have_no_number_and_say_why() -> None:
    obs = draw_lives(np.random.default_rng(8), 12, shape=2.0, late=0.0)
    weights = np.vstack([np.ones(len(obs)), np.where(obs.failed, 0.0, 1.0)])
    fits = resample_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1, truck_weights=weights)
    assert fits.converged[:, 0].tolist() == [True, False]
    assert fits.why[1, 0] == "no failures"
    assert np.isnan(fits.shape[1, 0])


def test_a_thousand_draws_over_a_hundred_strata_and_a_hundred_thousand_lives_all_converge() -> None:
    rng = np.random.default_rng(9)
    obs = with_trucks(draw_lives(rng, 100_000, shape=2.2, late=0.3), 20_000, rng)
    stratum = rng.integers(0, 100, len(obs))
    weights = draw_trucks(20_000, replicates=1000, seed=1)
    fits = resample_weibulls(obs, stratum, strata=100, truck_weights=weights)
    assert fits.converged.all()

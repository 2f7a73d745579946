"""The batched fits of random strata of every kind against scipy's maximum and lifelines; why some have no maximum."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from tests.random_strata import (
    KINDS,
    SEED,
    Stratum,
    distance,
    draw_strata,
    fit_together,
    loss_and_slope,
    maximise_directly,
    read_from_zero,
)
from wearlab.curves.batch import WeibullFits
from wearlab.curves.engine import fit_with_engine
from wearlab.curves.weibull import Weibull

STRATA = draw_strata(1000, seed=SEED)


@pytest.fixture(scope="module")
def fits() -> WeibullFits:
    """Return the fits of all random strata at once."""
    return fit_together(STRATA)


def curve(fits: WeibullFits, number: int) -> Weibull:
    return Weibull(float(fits.shape[number]), float(np.exp(fits.log_eta[number])))


def test_a_thousand_random_strata_have_scipys_maximum_to_ten_digits(fits: WeibullFits) -> None:
    found = np.flatnonzero(fits.converged)
    assert len(found) > 900
    assert {STRATA[number].kind for number in found} == set(KINDS)
    for number in found:
        log_shape, log_eta, value = maximise_directly(STRATA[number].obs)
        assert distance(curve(fits, number), np.exp(log_shape), np.exp(log_eta)) < 1e-10
        assert fits.log_likelihood[number] == pytest.approx(value, rel=1e-10, abs=1e-10)


@pytest.mark.parametrize("kind", KINDS)
def test_lifelines_has_the_same_curve_to_six_digits_on_random_strata(fits: WeibullFits, kind: str) -> None:
    # All thousand: python -m tests.studies.agreement 1000.
    chosen = [number for number in np.flatnonzero(fits.converged) if STRATA[number].kind == kind]
    for number in chosen[:25]:
        own, obs = curve(fits, number), STRATA[number].obs
        answer = fit_with_engine(obs, own).curve
        assert answer is not None
        if read_from_zero(obs, own.shape):  # its likelihood is another one there, and its maximum lies lower
            assert -loss_and_slope(np.log([answer.shape, answer.eta]), obs)[0] <= fits.log_likelihood[number]
        else:
            assert distance(own, answer.shape, answer.eta) < 1e-6


def most_likely(stratum: Stratum, shape: float) -> float:
    """Return the greatest log-likelihood at a shape."""
    obs = stratum.obs
    with np.errstate(all="ignore"):
        top = minimize_scalar(
            lambda log_eta: np.nan_to_num(
                loss_and_slope(np.array([np.log(shape), log_eta]), obs)[0], nan=1e9, posinf=1e9
            ),
            bounds=(np.log(obs.exit.min()) - 3, np.log(obs.exit.max()) + 3 + 8 / shape),
            method="bounded",
        )
    return -float(top.fun)


def test_each_stratum_without_a_fit_says_why_and_the_reason_is_true(fits: WeibullFits) -> None:
    reasons = set()
    for number in np.flatnonzero(~fits.converged):
        obs, why = STRATA[number].obs, str(fits.why[number])
        reasons.add(why)
        if why == "no failures":
            assert not obs.failed.any()
        elif why == "failures without spread":
            assert (obs.exit[obs.failed] == obs.exit.max()).all()
        else:
            assert why == "no maximum"
            shapes = np.geomspace(0.05, 40.0, 12)
            heights = [most_likely(STRATA[number], shape) for shape in shapes]
            assert np.argmax(heights) in (0, len(shapes) - 1)
    assert reasons == {"no failures", "failures without spread", "no maximum"}


def test_a_stratum_has_the_same_fit_alone_and_among_a_thousand(fits: WeibullFits) -> None:
    for number in range(0, 1000, 7):
        alone = fit_together([STRATA[number]])
        assert alone.why[0] == fits.why[number]
        if alone.converged[0]:
            assert distance(curve(fits, number), float(alone.shape[0]), float(np.exp(alone.log_eta[0]))) < 1e-12

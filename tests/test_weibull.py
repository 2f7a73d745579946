"""The life curve as plain mathematics."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import weibull_min

from wearlab.curves.weibull import Weibull

CURVE = Weibull(shape=2.3, eta=410.0)
AGES = np.array([0.0, 1e-6, 3.0, 200.0, 410.0, 1500.0])


def test_curve_agrees_with_scipy() -> None:
    other = weibull_min(CURVE.shape, scale=CURVE.eta)
    np.testing.assert_allclose(CURVE.survival(AGES), other.sf(AGES), rtol=1e-12)
    np.testing.assert_allclose(CURVE.failed_share(AGES), other.cdf(AGES), rtol=1e-12)
    np.testing.assert_allclose(CURVE.hazard(AGES), other.pdf(AGES) / other.sf(AGES), rtol=1e-9)
    assert CURVE.mean_life() == pytest.approx(other.mean(), rel=1e-12)


def test_life_at_undoes_failed_share() -> None:
    shares = np.array([1e-9, 0.01, 0.1, 0.5, 0.99])
    np.testing.assert_allclose(CURVE.failed_share(CURVE.life_at(shares)), shares, rtol=1e-12)


def test_hazard_adds_up_to_cumulative_hazard() -> None:
    assert quad(CURVE.hazard, 0, 700.0)[0] == pytest.approx(float(CURVE.cumulative_hazard(700.0)), rel=1e-9)


def test_conditional_failed_share_is_that_of_parts_still_running() -> None:
    at, entry = 500.0, 300.0
    by_hand = (CURVE.survival(entry) - CURVE.survival(at)) / CURVE.survival(entry)
    assert float(CURVE.conditional_failed_share(at, entry)) == pytest.approx(float(by_hand), rel=1e-12)
    assert float(CURVE.conditional_failed_share(entry, at)) == 0.0


def test_shape_one_is_the_exponential() -> None:
    curve = Weibull(shape=1.0, eta=250.0)
    np.testing.assert_allclose(curve.hazard(np.array([1.0, 99.0, 400.0])), 1 / 250.0, rtol=1e-14)
    assert curve.mean_life() == pytest.approx(250.0)


def test_hazard_at_age_zero_is_infinite_only_below_shape_one() -> None:
    assert Weibull(shape=0.7, eta=10.0).hazard(0.0) == np.inf
    assert Weibull(shape=1.7, eta=10.0).hazard(0.0) == 0.0

"""Observed against expected counts: published values and general-purpose libraries."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from wearlab.curves.expected_counts import (
    at_least,
    false_discovery,
    log_probability,
    poisson_p,
    rate_ratio,
    ratio_interval,
    shrink,
)

DATA = Path(__file__).parents[1] / "data"


def test_the_published_fifteen_p_values_give_four_discoveries_at_five_percent() -> None:
    # Benjamini & Hochberg (1995), JRSS-B 57:289-300, section 4.1: four hypotheses rejected; adjusted values as computed
    # by R's p.adjust(method = "BH").
    p = pd.read_csv(DATA / "bh1995_pvalues.csv", comment="#")["p"].to_numpy(float)
    adjusted = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.0638571428571, 0.0638571428571, 0.0645, 0.0765, 0.486]
    adjusted += [0.581181818182, 0.714875, 0.753230769231]
    q = false_discovery(p)
    assert (q <= 0.05).sum() == 4
    assert q[:13] == pytest.approx(adjusted[:13], rel=1e-10)
    assert q[::-1] == pytest.approx(stats.false_discovery_control(p)[::-1], rel=1e-12)


@pytest.mark.parametrize(
    ("failures", "exposure", "low", "high"),
    [
        # exact Poisson limits (Garwood 1936, Biometrika 28:437-442), 95 %, as R's poisson.test prints them
        (0, 1000.0, 0.0, 0.00368887945411),
        (1, 1000.0, 2.53178079843e-05, 0.00557164339094),
        (3, 1940.0, 0.000318903156132, 0.00451921292255),
        (9, 200_000.0, 2.05768654869e-05, 8.54240172571e-05),
        (19, 1e6, 1.14392411644e-05, 2.96708535716e-05),
    ],
)
def test_the_interval_of_a_rate_is_the_exact_poisson_one(
    failures: float, exposure: float, low: float, high: float
) -> None:
    one = np.ones(1)
    found = ratio_interval(failures * one, exposure * one, one, 0.95)
    assert found[0][0] == pytest.approx(low, rel=1e-9)
    assert found[1][0] == pytest.approx(high, rel=1e-9)


def test_two_rates_compare_as_in_the_documented_example_of_an_exact_test() -> None:
    # 11 events in 800 against 23 in 3011: the documentation example of R's poisson.test
    found = rate_ratio((11.0, 23.0), (800.0, 3011.0), 0.95)
    assert found["ratio"] == pytest.approx(1.80005434783, rel=1e-9)
    assert found["low"] == pytest.approx(0.792205085833, rel=1e-9)
    assert found["high"] == pytest.approx(3.84386274039, rel=1e-9)
    assert found["p_greater"] == pytest.approx(0.0829299127918, rel=1e-9)
    assert found["p_two_sided"] == pytest.approx(0.165859825584, rel=1e-9)


def test_three_failures_against_none_have_a_finite_lower_limit_only() -> None:
    # R's poisson.test for 3 in 10,000 against 0 in 25,000
    found = rate_ratio((3.0, 0.0), (10_000.0, 25_000.0), 0.95)
    assert found["ratio"] == found["high"] == float("inf")
    assert found["low"] == pytest.approx(1.03307838758, rel=1e-9)
    assert found["p_greater"] == pytest.approx(0.0233236151603, rel=1e-9)
    assert found["p_two_sided"] == pytest.approx(0.0466472303207, rel=1e-9)


def test_counts_with_spread_are_negative_binomial() -> None:
    # scipy.stats.nbinom as the outside check
    counts = np.arange(0.0, 12.0)
    for mean, spread in ((0.7, 0.3), (4.0, 1.2), (9.0, 0.05)):
        law = stats.nbinom(1 / spread, 1 / (1 + mean * spread))
        means, spreads = np.full(12, mean), np.full(12, spread)
        assert np.exp(log_probability(counts, means, spreads)) == pytest.approx(law.pmf(counts), rel=1e-9)
        assert at_least(counts, means, spreads) == pytest.approx(law.sf(counts - 1), rel=1e-9)


def test_without_spread_the_tail_is_the_poisson_one() -> None:
    expected = stats.poisson.sf(5, 1.7) + stats.poisson.pmf(5, 1.7) / 2
    assert poisson_p(np.array([5.0]), np.array([1.7]))[0] == pytest.approx(expected, rel=2e-3)  # variance 1e-4 is least


def test_a_shrunken_ratio_is_the_mean_of_a_gamma_posterior() -> None:
    # gamma prior with mean 1 and variance 0.2, Poisson count: mean (5 + O) / (5 + E); the 2 % of unusual trucks apart
    weights = np.zeros((1, 20))
    weights[0, 8] = 1.0
    estimate, low, high = shrink(np.array([2.0]), np.array([2.0]), weights, 0.9)
    assert estimate[0] == pytest.approx(1.0, abs=0.01)
    exact = stats.gamma(7.0, scale=1 / 7.0).ppf([0.05, 0.95])
    assert (low[0], high[0]) == pytest.approx(tuple(exact), rel=0.03)

"""Renewal and replacement against closed forms, a power series and published optima."""

import math

import numpy as np
import pytest

from wearlab.curves.renewal import age_replacement, expected_failures, regrease_closed_form

# Minima of [c_p R(T) + c_f F(T)] / ∫R for Weibull(β, η = 1), c_p = 1 (Barlow & Proschan, 1965, chapter 4): direct
# minimisation in two languages agreed to 12 digits. Columns: β, c_f, T*/η, cost rate, share of running to failure.
AGE = [
    (1.5, 2.0, 2.17464137974, 2.21199979756, 0.998436202628),
    (1.5, 5.0, 0.675491992136, 4.93129919158, 0.890341426667),
    (1.5, 10.0, 0.378144491573, 8.3016163239, 0.749424506028),
    (1.5, 20.0, 0.226119874637, 13.5523381073, 0.611715471741),
    (1.5, 50.0, 0.119195990033, 25.3757076188, 0.458156012163),
    (2.0, 2.0, 1.09079696963, 2.18159393927, 0.966693644693),
    (2.0, 5.0, 0.510655224295, 4.08524179436, 0.72409025503),
    (2.0, 10.0, 0.336451191255, 6.0561214426, 0.536709788624),
    (2.0, 20.0, 0.230426798272, 8.75621833433, 0.387999822651),
    (2.0, 50.0, 0.143100551714, 14.023854068, 0.248566341473),
    (2.5, 2.0, 0.883601677427, 2.07646591293, 0.921186536412),
    (2.5, 5.0, 0.493046957597, 3.46204273879, 0.614349051355),
    (2.5, 10.0, 0.35457440963, 4.75054679898, 0.421498828809),
    (2.5, 20.0, 0.262381625724, 6.38401263058, 0.28321517088),
    (2.5, 50.0, 0.17940014878, 9.30829818175, 0.165178323584),
    (3.0, 2.0, 0.810342027426, 1.96996260424, 0.879568122071),
    (3.0, 5.0, 0.502609582103, 3.03139670426, 0.541395029668),
    (3.0, 10.0, 0.382455531143, 3.94935029915, 0.352668890115),
    (3.0, 20.0, 0.297770470635, 5.05403343139, 0.225657415251),
    (3.0, 50.0, 0.216991448041, 6.92153741285, 0.123615821965),
    (4.0, 2.0, 0.766113237492, 1.79861781521, 0.81513582149),
    (4.0, 5.0, 0.538402120285, 2.49712491138, 0.452680041038),
    (4.0, 10.0, 0.439097186787, 3.04778596481, 0.276252074804),
    (4.0, 20.0, 0.364100812462, 3.66841564008, 0.166253051152),
    (4.0, 50.0, 0.287239728931, 4.64504147371, 0.0842055419558),
    (5.0, 2.0, 0.760976407695, 1.67669772507, 0.769745720804),
    (5.0, 5.0, 0.574945628482, 2.18543100696, 0.401318887853),
    (5.0, 10.0, 0.488585128483, 2.56432749559, 0.235448535173),
    (5.0, 20.0, 0.420661194062, 2.97477009083, 0.136567045661),
    (5.0, 50.0, 0.348005177134, 3.5934276371, 0.0659874586891),
]

# Minima of c_stop/τ + c_fail/(a τ^−γ): closed form and a numerical root agreed to 12 digits.
# Columns: c_stop, c_fail, a, γ, τ*, cost rate, mean life there, share of the cost that is grease.
REGREASE = [
    (100.0, 20000.0, 2000000000.0, 0.8, 8764.51290856, 0.0256717061573, 1402322.06537, 0.444444444444),
    (250.0, 8000.0, 50000000.0, 0.5, 21374.6993335, 0.0350882128586, 341995.189335, 0.333333333333),
    (1.0, 1.0, 1.0, 1.0, 1.0, 2.0, 1.0, 0.5),
    (80.0, 15000.0, 300000000000.0, 1.2, 14050.7473836, 0.0104383533959, 3161418.16131, 0.545454545455),
    (100.0, 5000.0, 10000000.0, 0.35, 18382.9946257, 0.0209821247064, 321702.40595, 0.259259259259),
]


@pytest.mark.parametrize(("shape", "failure", "age", "rate", "ratio"), AGE)
def test_age_replacement_meets_the_published_grid(shape, failure, age, rate, ratio):
    found = age_replacement(shape, 1.0, 1.0, failure)
    assert found.replace_at == pytest.approx(age, rel=1e-8)
    assert found.cost_rate == pytest.approx(rate, rel=1e-8)
    assert found.ratio == pytest.approx(ratio, rel=1e-8)


@pytest.mark.parametrize(("shape", "failure"), [(1.0, 10.0), (0.8, 10.0), (3.0, 1.0), (3.0, 0.5)])
def test_no_age_is_best_where_wear_or_cost_gives_no_reason(shape, failure):
    found = age_replacement(shape, 1.0, 1.0, failure)
    assert found.replace_at is None
    assert found.ratio == 1.0


@pytest.mark.parametrize(("stop", "failure", "life", "gamma", "interval", "rate", "mean", "share"), REGREASE)
def test_the_regrease_optimum_meets_its_closed_form(stop, failure, life, gamma, interval, rate, mean, share):
    found = regrease_closed_form(stop, failure, life, gamma)
    assert found.interval == pytest.approx(interval, rel=1e-8)
    assert found.cost_rate == pytest.approx(rate, rel=1e-8)
    assert found.mean_life == pytest.approx(mean, rel=1e-8)
    assert found.grease_share == pytest.approx(share, rel=1e-8)


def test_a_constant_hazard_renews_at_its_rate():
    times = np.array([0.1, 1.0, 5.0, 20.0])
    np.testing.assert_allclose(expected_failures(1.0, 2.0, times), times / 2, rtol=1e-6)
    np.testing.assert_allclose(expected_failures(1.0, 2.0, times, age=3.0), times / 2, rtol=1e-6)


def _power_series(shape: float, t: float, terms: int = 40) -> float:
    """M(t) of a Weibull renewal process as a series in t^β (Smith & Leadbetter, Technometrics 5, 1963)."""
    gamma = [math.gamma(k * shape + 1) / math.factorial(k) for k in range(terms + 1)]
    a = [0.0] * (terms + 1)
    for k in range(1, terms + 1):
        a[k] = gamma[k] - sum(gamma[j] * a[k - j] for j in range(1, k))
    return sum((-1) ** (k - 1) * a[k] * t ** (k * shape) / math.gamma(k * shape + 1) for k in range(1, terms + 1))


@pytest.mark.parametrize("shape", [1.2, 1.5, 2.2, 3.5])
@pytest.mark.parametrize("t", [0.1, 0.3, 1.0])
def test_expected_failures_follow_the_power_series(shape, t):
    assert float(expected_failures(shape, 1.0, t)) == pytest.approx(_power_series(shape, t), rel=2e-5)


def test_in_the_long_run_failures_come_once_per_mean_life():
    # M(t) − t/μ tends to (σ²/μ² − 1)/2 (Cox, Renewal Theory, 1962, section 4.2)
    shape = 2.5
    mean, second = math.gamma(1 + 1 / shape), math.gamma(1 + 2 / shape)
    limit = 30.0 / mean + (second / mean**2 - 2) / 2
    assert float(expected_failures(shape, 1.0, 30.0)) == pytest.approx(limit, rel=1e-6)

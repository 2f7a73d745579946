"""The fit of practice against a written-out integral, lifelines, and planted truth."""

import math
import warnings

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullAFTFitter
from scipy import integrate, optimize, stats

from tests.studies.episodes import Truth, draw, three_classes
from wearlab.curves.practice import PracticeFit, fit_practice
from wearlab.curves.practice_frailty import Spans, lay_out, log_likelihood, maximise


def _small(found: bool):
    rng = np.random.default_rng(4)
    lives = 30
    entry = np.where(rng.random(lives) < 0.4, rng.uniform(0.2, 1.0, lives), 0.0)
    exit_age = entry + rng.uniform(0.3, 2.0, lives)
    failed = rng.random(lives) < 0.6
    mid = failed & (rng.random(lives) < (0.6 if found else 0.0))
    lower = np.where(mid, entry + 0.3 * (exit_age - entry), np.nan)
    upper = np.where(mid, exit_age, np.nan)
    truck = rng.integers(0, 8, lives).astype(np.int64)
    truck[:8] = np.arange(8)
    design = np.column_stack([np.ones(lives), rng.normal(size=lives)])
    spans = Spans(np.arange(lives), entry, exit_age, failed, lower, upper)
    data = lay_out(design=design, shape_of=np.zeros(lives, dtype=np.int64), truck=truck, spans=spans)
    return data, spans, design, truck


def _integral(spans: Spans, design, truck, b, shape: float, phi: float, scale: float) -> float:
    """ln of ∏ over trucks of ∫ gamma(z | survived to entry) × its likelihood given z, by adaptive quadrature."""
    total = 0.0
    k = 1 / phi
    for i in np.unique(truck):
        mine = truck == i
        rate = np.exp(design[mine] @ b)
        hazard = lambda t: rate * (t / scale) ** shape  # noqa: B023, E731
        before = hazard(spans.entry[mine])
        end = hazard(spans.exit[mine])
        failed, lower = spans.failed[mine], spans.lower[mine]
        exact = failed & np.isnan(lower)
        density = rate * shape / scale * (spans.exit[mine] / scale) ** (shape - 1)
        between = failed & ~np.isnan(lower)
        to_lower = hazard(np.where(between, lower, 0.0))

        def integrand(z: float) -> float:
            logs = (k - 1) * math.log(z) - k * z + k * math.log(k) - math.lgamma(k)
            logs += float(np.log(z * density[exact]).sum() - z * (end - before)[~between].sum())  # noqa: B023
            gap = np.exp(-z * (to_lower - before)[between]) - np.exp(-z * (end - before)[between])  # noqa: B023
            return math.exp(logs - z * float(before.sum())) * float(np.prod(gap))  # noqa: B023

        def survival(z: float) -> float:
            logs = (k - 1) * math.log(z) - k * z + k * math.log(k) - math.lgamma(k)
            return math.exp(logs - z * float(before.sum()))  # noqa: B023

        top = integrate.quad(integrand, 1e-12, 60, epsabs=0, epsrel=1e-11, limit=500, points=[0.5, 1, 2, 5])[0]
        base = integrate.quad(survival, 1e-12, 60, epsabs=0, epsrel=1e-11, limit=500, points=[0.5, 1, 2, 5])[0]
        total += math.log(top) - math.log(base)
    return total


@pytest.mark.parametrize("found", [False, True])
@pytest.mark.parametrize("phi", [0.2, 0.9])
def test_the_likelihood_is_the_integral_over_frailty_written_out(found, phi):
    data, spans, design, truck = _small(found)
    b, shape = np.array([-0.3, 0.4]), 1.7
    value, _ = log_likelihood(data, np.array([*b, np.log(shape), np.log(phi)]))
    expected = _integral(spans, design, truck, b, shape, phi, data.scale)
    assert value == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("found", [False, True])
@pytest.mark.parametrize("log_phi", [-1.2, 0.3, -np.inf])
def test_the_gradient_is_the_slope_of_the_likelihood(found, log_phi):
    data = _small(found)[0]
    at = np.array([-0.3, 0.4, 0.5, log_phi])
    gradient = log_likelihood(data, at)[1]
    for j in range(3 + np.isfinite(log_phi)):
        step = np.zeros(4)
        step[j] = 1e-6
        slope = (log_likelihood(data, at + step)[0] - log_likelihood(data, at - step)[0]) / 2e-6
        assert gradient[j] == pytest.approx(slope, abs=2e-7)


def test_without_spread_between_trucks_it_is_the_accelerated_life_fit_of_lifelines():
    # proportional hazards and accelerated life are one model for Weibull lives: log hazard = −β × log time
    truth = Truth(three_classes(25, 0.8)[:1], frailty=0.0)
    episodes = draw(truth, seed=3).episodes
    rows = episodes[episodes["component"] == "joint"].reset_index(drop=True)
    practice = np.log(rows["practised_miles"].to_numpy())
    spans = Spans(
        rows["life_id"].to_numpy(),
        rows["entry"].to_numpy(),
        rows["exit"].to_numpy(),
        rows["failed"].to_numpy(),
        rows["lower"].to_numpy(),
        rows["upper"].to_numpy(),
    )
    design = np.column_stack([np.ones(len(rows)), practice - practice.mean()])
    truck = pd.factorize(rows["unit_id"])[0].astype(np.int64)
    data = lay_out(design=design, shape_of=np.zeros(len(rows), dtype=np.int64), truck=truck, spans=spans)
    found = maximise(data, frailty=False)
    assert found is not None
    frame = pd.DataFrame(
        {"entry": rows["entry"], "exit": rows["exit"], "failed": rows["failed"].astype(int), "x": design[:, 1]}
    )
    frame[["entry", "exit"]] /= data.scale
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # lifelines' own deprecations
        engine = WeibullAFTFitter().fit(frame, "exit", "failed", entry_col="entry")
    shape = math.exp(engine.params_["rho_"]["Intercept"])
    assert math.exp(found.log_shapes[0]) == pytest.approx(shape, rel=1e-4)
    assert found.coefficients[1] == pytest.approx(-shape * engine.params_["lambda_"]["x"], abs=2e-4)
    in_scale = engine.log_likelihood_ - frame["failed"].sum() * math.log(data.scale)
    assert found.log_likelihood == pytest.approx(in_scale, rel=1e-7)


def test_a_planted_effect_and_spread_are_recovered_within_their_errors():
    values, errors, spreads = [], [], []
    for seed in range(6):
        fit = fit_practice(draw(Truth(three_classes(40, 1.0), gap_spread=0.02), seed=seed).episodes, component="joint",
                           level=0.9)  # fmt: skip
        assert isinstance(fit, PracticeFit)
        for effect in fit.effects:
            values.append(effect.theta_unpooled)
            errors.append((effect.theta_unpooled_high - effect.theta_unpooled_low) / 2 / 1.645)
        spreads.append(fit.frailty_variance)
    weight = 1 / np.square(errors)
    mean, error = np.average(values, weights=weight), 1 / np.sqrt(weight.sum())
    assert abs(mean - 1.0) < 3 * error
    assert error < 0.12
    assert 0.2 < np.mean(spreads) < 0.4
    inside = np.abs(np.array(values) - 1.0) < 1.645 * np.array(errors)
    assert inside.sum() >= 12  # of 18; fewer than 12 has a chance of 0.2 % at 90 % coverage


def test_the_printed_limits_of_an_effect_are_near_those_of_the_likelihood_ratio():
    """Profile likelihood (Meeker & Escobar, 1998, chapter 8): all values whose best fit lies within χ²/2 of the top."""
    for seed, trucks, apart in ((1, 40, 0.1), (2, 12, 0.25)):  # with few trucks the likelihood is skew
        fit = fit_practice(
            draw(Truth(three_classes(trucks, 0.8)), seed=seed, components=("joint",)).episodes,
            component="joint",
            level=0.9,
        )
        assert isinstance(fit, PracticeFit)
        for effect, at in zip(fit.effects, fit.theta_at, strict=True):
            half = (effect.theta_unpooled_high - effect.theta_unpooled_low) / 2
            for side, printed in ((-1, effect.theta_unpooled_low), (1, effect.theta_unpooled_high)):
                found = _profile_limit(fit.maximum, at, effect.theta_unpooled, half, side)
                assert found == pytest.approx(printed, abs=apart * half)


def _profile_limit(maximum, at: int, value: float, half: float, side: int) -> float:
    """Return where the profile of one coefficient falls by half the 90 % quantile of chi-square (1), by secants."""
    target = stats.chi2.ppf(0.9, 1) / 2

    def drop(theta: float) -> float:
        data, free = maximum.stretches, np.delete(maximum.parameters, at)

        def loss(parameters):
            whole = np.insert(parameters, at, theta)
            height, slope = log_likelihood(data, whole)
            return -height, -np.delete(slope, at)

        found = optimize.minimize(loss, free, jac=True, method="BFGS", options={"gtol": 1e-3})
        return maximum.log_likelihood + found.fun

    reach = optimize.brentq(lambda d: drop(value + side * d) - target, 0.5 * half, 2 * half, xtol=0.01 * half)
    return value + side * float(reach)

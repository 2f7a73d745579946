"""The likelihood of trucks that differ and its limits: against difference quotients and a plain slow search."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import brentq, minimize
from scipy.stats import chi2

from tests.curve_histories import make_history, make_lives
from wearlab.curves.batch import fit_weibulls
from wearlab.curves.fit import Fit, fit_strata
from wearlab.curves.frailty import TruckFit, fit_trucks
from wearlab.curves.observations import FloatArray, Observations, make_observations
from wearlab.curves.truck_likelihood import truck_likelihood
from wearlab.curves.truck_limits import limit_truck_lives, limit_truck_shape
from wearlab.curves.weibull import Weibull

CRITICAL = float(chi2.ppf(0.9, 1))


def draw(
    seed: int, *, trucks: int = 30, spread: float = 0.5, between: float = 0.0, late: bool = False, counts: bool = False
) -> Observations:
    rng = np.random.default_rng(seed)
    truck = np.repeat(np.arange(trucks), 5)
    rows = len(truck)
    factor = rng.gamma(1 / spread, spread, trucks)[truck]
    life = 300 * (rng.exponential(size=rows) / factor) ** (1 / 1.8)
    watched = rng.uniform(150, 450, rows)
    entry = np.where(rng.random(rows) < 0.4, rng.uniform(0, 120, rows), 0.0) if late else np.zeros(rows)
    failed = life <= watched
    found = failed & (rng.random(rows) < between)
    lower = np.where(found, np.floor(life / 40) * 40, np.nan)
    exit_ = np.where(found, lower + 40, np.minimum(life, watched))
    seen = life > entry
    seen &= watched > entry
    return make_observations(
        exit_[seen],
        failed[seen],
        entry=entry[seen],
        lower=lower[seen],
        upper=np.where(found, exit_, np.nan)[seen],
        count=rng.integers(1, 4, rows)[seen].astype(float) if counts else None,
        truck=truck[seen],
    )


def fit(obs: Observations) -> TruckFit:
    plain = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    found = fit_trucks(obs, Weibull(float(plain.shape[0]), float(np.exp(plain.log_eta[0]))))
    assert found is not None
    return found


@pytest.mark.parametrize("between", [0.0, 0.6])
@pytest.mark.parametrize("coordinates", [3, 4])
def test_the_slopes_are_those_of_the_value(between: float, coordinates: int) -> None:
    obs = draw(1, between=between, late=True, counts=True)
    later = np.arange(len(obs)) % 3 == 0 if coordinates == 4 else None
    likelihood = truck_likelihood(obs, later)
    points = np.array([[0.5, 5.7, 0.6], [0.7, 5.5, 0.1], [0.9, 6.0, 1.4], [0.6, 5.8, 1e-3], [0.6, 5.8, 0.0]])
    if coordinates == 4:
        points = np.column_stack([points, [0.3, -0.4, 0.0, 0.2, 0.1]])
    here = likelihood.slopes(points)
    for place in range(coordinates):
        step = np.zeros(coordinates)
        step[place] = 1e-4
        near = [likelihood.slopes(points + far * step) for far in (-2, -1, 1, 2)]
        for name, exact in (("value", here.gradient[:, place]), ("gradient", here.curvature[:, place])):
            farther, behind, ahead, farthest = (getattr(slopes, name) for slopes in near)
            quotient = (8 * (ahead - behind) - (farthest - farther)) / 12e-4
            np.testing.assert_allclose(quotient, exact, rtol=1e-6, atol=1e-5)


def test_a_count_is_so_many_lives_of_that_truck() -> None:
    obs = draw(2, between=0.5, late=True, counts=True)
    single = obs.take(np.repeat(np.arange(len(obs)), obs.count.astype(int)))
    single = make_observations(
        single.exit, single.failed, entry=single.entry, lower=single.lower, upper=single.upper, truck=single.truck
    )
    points = np.array([[0.5, 5.7, 0.6], [0.7, 5.5, 0.05]])
    one, other = truck_likelihood(obs).slopes(points), truck_likelihood(single).slopes(points)
    np.testing.assert_allclose(one.value, other.value, rtol=1e-12)
    np.testing.assert_allclose(one.curvature, other.curvature, rtol=1e-9, atol=1e-9)


def slow_limit(
    fit: TruckFit, at: float, side: float, point: Callable[[float, FloatArray], list[float]], free: FloatArray
) -> float:
    """Return where twice the drop of the profile is critical, by a root search around a search without slopes."""

    begin = [free]

    def drop(x: float) -> float:
        found = minimize(
            lambda z: -fit.likelihood.slopes(np.array([point(x, z)])).value[0],
            begin[-1],
            method="Nelder-Mead",
            options={"xatol": 1e-5, "fatol": 1e-9, "initial_simplex": begin[-1] + 0.04 * np.eye(3)[:, :2]},
        )
        begin.append(found.x)
        return float(2 * (fit.log_likelihood + found.fun) - CRITICAL)

    far = at
    while drop(far) < 0:
        far += 0.1 * side
    return float(brentq(drop, far - 0.1 * side, far, xtol=1e-8))


@pytest.mark.parametrize(
    ("seed", "asked"),
    [
        (3, {}),
        (4, {"late": True, "between": 0.5}),
        (5, {"late": True, "counts": True, "between": 0.3}),
        (25, {"spread": 0.02}),  # no spread is seen at the maximum, but at some of the limits it is
    ],
)
def test_the_limits_are_those_of_a_plain_slow_search(seed: int, asked: dict[str, float]) -> None:
    found = fit(draw(seed, trucks=16, **asked))  # type: ignore[arg-type]
    root, full = np.sqrt(found.variance), -np.log1p(-0.1)
    begin = max(root, 0.3)

    def of_life(x: float, z: FloatArray) -> list[float]:
        phi = max(z[1] ** 2, 1e-9)
        return [z[0], x - np.log(np.expm1(phi * full) / phi) / np.exp(z[0]), z[1]]

    log_shape, log_eta = np.log(found.curve.shape), np.log(found.curve.eta)
    for side, of_shape, life in zip(
        (-1.0, 1.0),
        limit_truck_shape(found, level=0.9),
        limit_truck_lives(found, np.array([0.1]), level=0.9)[0],
        strict=True,
    ):
        slow = slow_limit(found, log_shape, side, lambda x, z: [x, *z], np.array([log_eta, begin]))
        assert of_shape == pytest.approx(np.exp(slow), rel=1e-6)
        slow = slow_limit(found, float(np.log(found.life_at(0.1))), side, of_life, np.array([log_shape, begin]))
        assert life == pytest.approx(np.exp(slow), rel=1e-6)


def test_many_shares_at_once_have_the_limits_of_each_alone() -> None:
    found, shares = fit(draw(7, between=0.4, late=True)), np.array([0.01, 0.1, 0.5, 0.9])
    together = limit_truck_lives(found, shares, level=0.9)
    for share, both in zip(shares, together, strict=True):
        assert both == pytest.approx(limit_truck_lives(found, np.array([share]), level=0.9)[0], rel=1e-8)


def test_a_side_on_which_the_likelihood_never_drops_far_enough_has_no_limit() -> None:
    ages = 98.5 - 0.5 * np.log1p(-(np.arange(30) + 0.5) / 30)
    obs = make_observations(
        ages, np.ones(30), entry=np.full(30, 98.5), truck=np.arange(30) % 10
    )  # nobody was watched below 98.5: the data cannot say how early the first parts fail
    low, high = limit_truck_lives(fit(obs), np.array([0.01]), level=0.9)[0]
    assert low is None
    assert high is not None


def test_the_drawn_band_and_the_printed_limits_come_from_the_same_search() -> None:
    obs = draw(8, trucks=60)
    lives = make_lives(obs.exit, obs.failed, unit_id=[f"T{code:02d}" for code in obs.truck])
    result = fit_strata(make_history(lives), by=None, component=None, mode=None, level=0.9, seed=1)
    item = result.items[0]  # type: ignore[union-attr]
    assert isinstance(item, Fit)
    assert item.truck is not None
    low, high = item.life_limits(np.array([0.1]))[0]
    assert item.b10.low == pytest.approx(min(low, item.b10.value), rel=1e-9)
    assert item.b10.high == pytest.approx(max(high, item.b10.value), rel=1e-9)

"""Numbers of the forecast against the outside world."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullFitter
from scipy import integrate, stats

from tests.curve_histories import make_history, make_lives
from wearlab.answers.forecast import Forecast, forecast_failures
from wearlab.answers.forecast.counts import Bound, Law, add_counts, count_quantile, frailty_grid, look_ahead
from wearlab.answers.forecast.leaving import stay
from wearlab.answers.forecast.model import lay_grid, make_stratum
from wearlab.answers.forecast.removal import steady_removals
from wearlab.curves.observations import make_observations

DATA = Path(__file__).parent.parent / "data"


def _read(name: str) -> pd.DataFrame:
    return pd.read_csv(DATA / name, comment="#")


def _quiet(text: str) -> None:
    del text


@pytest.fixture(scope="module")
def expected() -> dict[str, float]:
    """Values of a Poisson-binomial law, agreed by two programs (tests/data/poisson_binomial.csv)."""
    table = _read("poisson_binomial.csv")
    return dict(zip(table["quantity"], table["value"], strict=True))


@pytest.mark.parametrize(
    ("name", "chances"),
    [
        ("pbinom", np.array([0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 0.95])),
        ("pbinom200", np.linspace(0.001, 0.06, 200)),
    ],
)
def test_a_sum_of_unlike_chances_has_the_poisson_binomial_law(
    expected: dict[str, float], name: str, chances: np.ndarray
) -> None:
    law = add_counts(np.column_stack([1 - chances, chances]))
    counts = np.arange(len(law))
    computed = {
        "mean": float(law @ counts),
        "var": float(law @ counts**2 - (law @ counts) ** 2),
        **{f"q{share:g}": float(count_quantile(law, share / 100)) for share in (2.5, 5, 50, 95, 97.5)},
        **{f"pmf({count})": float(law[count]) for count in counts},
        **{f"cdf({count})": float(law[: count + 1].sum()) for count in counts},
    }
    values = {key.removeprefix(f"{name}."): value for key, value in expected.items() if key.startswith(f"{name}.")}
    assert len(values) >= 11
    for quantity, value in values.items():
        assert computed[quantity] == pytest.approx(value, rel=1e-10, abs=1e-14), quantity


def test_the_next_300_hours_of_the_bearing_cages_bring_the_published_number_of_failures() -> None:
    # Meeker & Escobar (1998), Examples 8.16 and 12.16: beta 2.035, eta 11792, 5.057 failures expected in the next
    # 300 h; taking the fit as exact, 2 to 9 are predicted at 90 %; calibrated bounds are wider (from memory).
    cages = _read("bearing_cage.csv")
    lives = make_lives(cages["time"], cages["event"], count=cages["count"].astype(float))
    made = forecast_failures(make_history(lives), months=None, ahead=300.0, level=0.9, seed=1, progress=_quiet)
    assert isinstance(made, Forecast)
    total, curve = made.totals.iloc[0], made.curves.iloc[0]
    assert (curve["beta"], curve["eta"]) == (pytest.approx(2.035, abs=5e-4), pytest.approx(11792, abs=1))
    assert total["expected"] == pytest.approx(5.057, abs=0.002)
    assert (total["chance_low"], total["chance_high"]) == (2.0, 9.0)
    assert total["low"] == 1.0
    assert 10.0 <= total["high"] <= 13.0


def test_a_lives_file_expects_the_sum_of_conditional_chances_at_the_values_of_lifelines() -> None:
    rng = np.random.default_rng(11)
    age, limit = 800.0 * rng.weibull(1.7, 300), rng.uniform(100, 900, 300)
    entry = np.where(np.arange(300) % 4 == 0, 0.4 * np.minimum(age, limit), 0.0)
    exit_, failed = np.minimum(age, limit), age <= limit
    lives = make_lives(exit_, failed, entry=entry)
    made = forecast_failures(make_history(lives), months=None, ahead=120.0, level=0.9, seed=1, progress=_quiet)
    assert isinstance(made, Forecast)
    fit = WeibullFitter().fit(exit_, failed, entry=entry)
    hazard = lambda t: (t / fit.lambda_) ** fit.rho_  # noqa: E731
    left = exit_[~failed]
    assert made.totals["expected"].iloc[0] == pytest.approx(
        float((1 - np.exp(hazard(left) - hazard(left + 120.0))).sum()), rel=1e-5
    )


def test_renewals_of_weibull_lives_agree_with_the_series_of_their_convolutions() -> None:
    # M(x) = sum over n of the n-fold convolution of F (Barlow & Proschan 1965, ch. 3), here by direct quadrature:
    # M(x) = F(x) + F2(x) + F3(x) + ..., with F_n(x) = integral of F_{n-1}(x - s) f(s) ds on a fine grid.
    shape, reach = 2.2, 1.6
    grid = np.linspace(0, reach, 4001)
    density = shape * grid ** (shape - 1) * np.exp(-(grid**shape))
    term = -np.expm1(-(grid**shape))
    total = np.zeros_like(term)
    for _ in range(12):
        total += term
        term = np.convolve(density, term)[: len(grid)] * (grid[1] - grid[0])
    places = Bound(np.zeros(1), np.array([reach]), np.ones(1), stay(1), np.zeros(1))
    law = Law(shape, 1.0, steady_removals(0.0, 1))
    ahead = look_ahead(law, np.ones(1), places, calendar=np.arange(9) / 8)
    at = np.interp(reach * np.arange(1, 9) / 8, grid, total)
    assert ahead.expected[0, 0] == pytest.approx(at, abs=2e-3)


def test_the_chance_under_frailty_is_the_integral_over_the_trucks_hazards() -> None:
    # Klein & Moeschberger (2003) ch. 13: with z gamma(a, b) a part survives a further hazard h with (b / (b + h))^a.
    for shape, rate in ((0.8, 1.1), (3.5, 4.0), (40.0, 35.0)):
        z, weights = frailty_grid(np.array([shape]), np.array([rate]))
        places = Bound(np.array([1.0]), np.array([0.5]), np.ones(1), stay(1), np.zeros(1))
        ahead = look_ahead(Law(2.0, 1.0, steady_removals(0.0, 1)), z, places, calendar=np.array([0.0, 1.0]))
        further = 1.5**2 - 1.0
        first = 1 - (rate / (rate + further)) ** shape
        assert float(weights[0] @ ahead.chance[0, :, 0]) == pytest.approx(first, rel=5e-4)


def test_the_frailty_likelihood_is_the_integral_over_the_trucks_hazards() -> None:
    # The closed form of the truck's likelihood against numerical integration over z, late entries included.
    entry, exit_ = np.array([0.0, 0.5, 0.0, 0.2]), np.array([0.8, 1.4, 1.1, 0.9])
    failed, truck = np.array([1, 0, 1, 1]), np.array([0, 0, 1, 1])
    stratum = make_stratum(make_observations(exit_, failed, entry=entry, truck=truck), 1.0)
    grid = lay_grid(stratum, np.array([0.0, 0.7]))
    assert grid is not None
    shape, level = float(grid.shapes[20]), float(grid.levels[1, 20, 15])
    rate, k = np.exp(level), 0.7**-2
    total = 0.0
    for one in (0, 1):
        rows = truck == one
        hazard = rate * (exit_[rows] ** shape - entry[rows] ** shape).sum()
        own = shape * rate * exit_[rows] ** (shape - 1)

        def joint(z: float, rows=rows, hazard=hazard, own=own) -> float:  # type: ignore[no-untyped-def]
            density = stats.gamma.pdf(z, k, scale=1 / k)
            return float(density * np.prod(np.where(failed[rows] == 1, z * own, 1.0)) * np.exp(-z * hazard))

        total += np.log(integrate.quad(joint, 0, 60)[0])
    assert float(grid.values[1, 20, 15]) == pytest.approx(total, rel=1e-7)

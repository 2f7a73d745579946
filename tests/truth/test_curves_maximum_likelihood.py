"""Weibull fits against published data sets; sources stand in the first line of each file of tests/data.

The agreed values come from independent implementations; tests/data/curves_expected.json cites the printed ones.
"""

import numpy as np
import pytest

from tests.curve_data import BETWEEN, CASES, EXACT, LATE, load_case, read_data, value_of
from wearlab.curves.batch import fit_weibulls, solve_rows
from wearlab.curves.bound import bound_life
from wearlab.curves.counted import count_curve
from wearlab.curves.engine import agrees, fit_with_engine
from wearlab.curves.interval import limit_life, limit_shape
from wearlab.curves.newton import Rows
from wearlab.curves.observations import Observations, make_observations
from wearlab.curves.stratum import SHARES
from wearlab.curves.weibull import Weibull

ALL = (*EXACT, *BETWEEN, *LATE)
LIMITED = [case for case in ALL if "weibull.beta_ci95_lr_lo" in CASES[case]["values"]]
COUNTED = [(case, name) for case in (*EXACT, *LATE) for name in CASES[case]["values"] if name.startswith("np.km_S(")]


def fit_case(obs: Observations) -> tuple[Weibull, float]:
    fits = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    assert fits.converged[0]
    return Weibull(shape=float(fits.shape[0]), eta=float(np.exp(fits.log_eta[0]))), float(fits.log_likelihood[0])


@pytest.mark.parametrize("case", ALL)
def test_maximum_likelihood_is_the_agreed_one_to_ten_digits(case: str) -> None:
    curve, log_likelihood = fit_case(load_case(case))
    assert curve.shape == pytest.approx(value_of(case, "weibull.beta"), rel=1e-10)
    assert curve.eta == pytest.approx(value_of(case, "weibull.eta"), rel=1e-10)
    assert log_likelihood == pytest.approx(value_of(case, "weibull.loglik"), rel=1e-10)
    for name, share in (("B1", 0.01), ("B10", 0.10), ("B50", 0.50)):
        assert float(curve.life_at(share)) == pytest.approx(value_of(case, f"weibull.{name}"), rel=1e-10)


@pytest.mark.parametrize("case", ALL)
def test_lifelines_finds_the_same_curve_to_six_digits(case: str) -> None:
    obs = load_case(case)
    own, _ = fit_case(obs)
    assert agrees(fit_with_engine(obs, own), own, tolerance=1e-6)


@pytest.mark.parametrize("case", LIMITED)
def test_likelihood_ratio_limits_are_the_agreed_ones(case: str) -> None:
    obs = load_case(case)
    rows = Rows(np.zeros(1, dtype=int), obs.entry, obs.exit, obs.failed, obs.lower, obs.upper, obs.count)
    found = solve_rows(rows)
    limits = {
        "beta": limit_shape(rows, found, level=0.95),
        "eta": limit_life(rows, found, SHARES["eta"], level=0.95),
        "B10": limit_life(rows, found, 0.10, level=0.95),
    }
    for name, pair in limits.items():
        if f"weibull.{name}_ci95_lr_lo" in CASES[case]["values"]:
            assert pair.low[0] == pytest.approx(value_of(case, f"weibull.{name}_ci95_lr_lo"), rel=1e-9)
            assert pair.high[0] == pytest.approx(value_of(case, f"weibull.{name}_ci95_lr_hi"), rel=1e-9)


@pytest.mark.parametrize(("case", "quantity"), COUNTED)
def test_counted_curve_is_kaplan_meier_and_nelson_aalen(case: str, quantity: str) -> None:
    age = float(quantity.removeprefix("np.km_S(").rstrip(")"))
    counted = count_curve(load_case(case))
    assert counted.survival_at(np.array([age]))[0] == pytest.approx(value_of(case, quantity), abs=1e-11)
    place = int(np.searchsorted(counted.age, age, side="right")) - 1
    hazard = counted.cumulative_hazard[place] if place >= 0 else 0.0
    assert hazard == pytest.approx(value_of(case, f"np.na_H({age:g})"), abs=1e-11)


@pytest.mark.parametrize("shape", [1.5, 2.0, 3.0])
def test_bound_without_failures_is_the_one_parameter_weibull(shape: float) -> None:
    # Component A: printed lower bounds 10250 (eta) and 3327 (B10) at shape 2 and 95 %: Meeker & Escobar (1998), 8.6.
    data = read_data("component_a.csv")
    obs = make_observations(data["time"], data["event"], count=data["count"])
    for level, tag in ((0.90, "90"), (0.95, "95")):
        bound = bound_life(obs, shape=shape, level=level)
        eta = value_of("component_a_zero_failures", f"fixedbeta.eta_lower{tag}_time_terminated(beta={shape:g})")
        b10 = value_of("component_a_zero_failures", f"fixedbeta.B10_lower{tag}(beta={shape:g})")
        assert bound.eta == pytest.approx(eta, rel=1e-10)
        assert float(bound.life_at(0.1)) == pytest.approx(b10, rel=1e-10)


def test_printed_values_of_the_shock_absorbers() -> None:
    # Meeker & Escobar (1998), Table 8.1, from memory: mu = 10.23, sigma = 0.3164.
    curve, _ = fit_case(load_case("shock_absorber_all"))
    assert round(np.log(curve.eta), 2) == 10.23
    assert round(1 / curve.shape, 4) == 0.3164

"""The counted curve of failures found at inspections, against published data sets (sources in tests/data)."""

import numpy as np
import pytest

from tests.curve_data import BETWEEN, CASES, load_case, value_of
from wearlab.curves.counted import count_curve
from wearlab.curves.observations import make_observations
from wearlab.curves.turnbull import count_between

SHARES = [(case, name) for case in BETWEEN for name in CASES[case]["values"] if name.startswith("npmle.F(")]


@pytest.mark.parametrize(("case", "quantity"), SHARES)
def test_share_failed_is_the_agreed_one(case: str, quantity: str) -> None:
    age = float(quantity.removeprefix("npmle.F(").rstrip(")"))
    curve = count_between(load_case(case))
    assert curve is not None
    assert curve.failed_share(np.array([age]))[0] == pytest.approx(value_of(case, quantity), abs=2e-6)


@pytest.mark.parametrize("case", BETWEEN)
def test_log_likelihood_is_the_agreed_one(case: str) -> None:
    curve = count_between(load_case(case))
    assert curve is not None
    assert curve.log_likelihood == pytest.approx(value_of(case, "npmle.loglik"), rel=1e-7)


def test_exact_ages_alone_give_kaplan_meier_late_entry_included() -> None:
    rng = np.random.default_rng(1)
    life, watched, entry = (
        10 * rng.weibull(2, 60),
        rng.uniform(4, 14, 60),
        rng.uniform(0, 2, 60) * (rng.random(60) < 0.4),
    )
    seen = np.minimum(life, watched) > entry
    obs = make_observations(np.minimum(life, watched)[seen], (life <= watched)[seen], entry=entry[seen])
    curve = count_between(obs)
    assert curve is not None
    ages = np.array([3.0, 6.0, 9.0])
    np.testing.assert_allclose(1 - curve.failed_share(ages), count_curve(obs).survival_at(ages), atol=1e-6)

"""Measured wear against published degradation data."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from tests.studies.wear_fleet import WearPlan, measured_fleet
from wearlab.answers.wear_rates import Readings, cross_limit, fit_lines, fit_paths

DATA = Path(__file__).parent.parent / "data"


@pytest.fixture(scope="module")
def cracks() -> Readings:
    """Cracks of 21 specimens of Alloy-A (Hudak et al. 1978; Meeker & Escobar 1998, ch. 13), see tests/data."""
    rows = pd.read_csv(DATA / "alloy_a.csv", comment="#")
    part = rows["unit"].to_numpy() - 1
    return Readings(rows["megacycles"].to_numpy(), rows["crack_in"].to_numpy(), part, np.zeros(21, dtype=np.int64))


@pytest.fixture(scope="module")
def expected() -> pd.Series:
    """Crossings of 1.6 in and least-squares paths, agreed by Python and R."""
    return pd.read_csv(DATA / "alloy_a_expected.csv", comment="#").set_index("quantity")["value"]


def test_cracks_grow_by_the_published_power_of_their_length(cracks: Readings, expected: pd.Series) -> None:
    # da/dt = b1·a^b2: the mean least-squares b2 is 2.60; the readings choose w^(1 − b2) as the straight scale
    paths = fit_paths(cracks)
    assert paths is not None
    assert 1.0 - paths.power == pytest.approx(expected["alloy_a.paris_mean_b2"], abs=0.25)


def test_cracks_reach_the_limit_when_they_were_seen_to(cracks: Readings, expected: pd.Series) -> None:
    paths = fit_paths(cracks)
    assert paths is not None
    age, low, high = cross_limit(paths, np.full(21, 1.6), 0.9)
    seen = expected[[f"alloy_a.cross_1.6in_linear_interp({i})" for i in range(1, 13)]].to_numpy()
    assert age[:12] == pytest.approx(seen, rel=0.05)
    assert ((low <= age) & (age <= high)).all()
    crossed = int(expected["alloy_a.n_crossed_by_0.12"])  # 12 of 21, Meeker & Escobar (1998) ch. 13, from memory
    assert abs(int((age <= 0.12).sum()) - crossed) <= 1  # one exponent stands for all specimens here
    fitted = expected[[f"alloy_a.paris_t_1.6({i})" for i in range(1, 22)]].to_numpy()
    assert age == pytest.approx(fitted, rel=0.06)


def test_a_straight_line_would_put_the_cracks_limit_far_too_late(cracks: Readings, expected: pd.Series) -> None:
    early = cracks.age <= 0.06
    lines = fit_lines(Readings(cracks.age[early], cracks.value[early], cracks.part[early], cracks.part_class))
    assert lines is not None
    age, _, _ = cross_limit(lines, np.full(21, 1.6), 0.9)
    seen = expected[[f"alloy_a.cross_1.6in_linear_interp({i})" for i in range(1, 13)]].to_numpy()
    assert (age[:12] > 1.1 * seen).all()


def test_lines_agree_with_an_independent_mixed_model() -> None:
    # statsmodels' MixedLM with independent random start and rate, restricted maximum likelihood, one class;
    # ours keeps the spreads a little off zero, hence the tolerances
    history, _ = measured_fleet(WearPlan(parts=60, rates=(("regional", 2.4e-8),), readings=(4, 7)), 3)
    rows = history.measurements
    part, _ = pd.factorize(rows["life_id"])
    age, value = rows["age_miles"].to_numpy(dtype=float) / 1e5, rows["value"].to_numpy(dtype=float) * 1e3
    own = fit_lines(Readings(age, value, part, np.zeros(part.max() + 1, dtype=np.int64)))
    frame = pd.DataFrame({"value": value, "age": age, "part": part})
    model = sm.MixedLM.from_formula(
        "value ~ age", frame, groups="part", re_formula="0", vc_formula={"start": "1", "rate": "0 + age"}
    )
    fit = model.fit(reml=True, method=["lbfgs"])
    assert own is not None
    assert own.class_rate[0] == pytest.approx(fit.fe_params["age"], rel=2e-3)
    assert own.error == pytest.approx(np.sqrt(fit.scale), rel=1e-2)
    rates = np.array(
        [fit.fe_params["age"] + fit.random_effects[i].filter(like="rate").iloc[0] for i in range(part.max() + 1)]
    )
    assert own.rate == pytest.approx(rates, rel=0.02)

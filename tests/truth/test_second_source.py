"""Fits, limits, shares by mode, mean numbers and log-rank tests against R's survival package.

R's answers are frozen in tests/data/second_source_*.csv; python -m tests.studies.second_source asks R again.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2

from tests.curve_data import read_data
from tests.random_strata import fit_together
from tests.studies.second_source import SETS, choose_strata, draw_classes, draw_modes, draw_repeats
from wearlab.curves.batch import solve_rows
from wearlab.curves.incidence import count_incidence
from wearlab.curves.interval import limit_life, limit_shape
from wearlab.curves.logrank import compare_groups
from wearlab.curves.observations import make_observations
from wearlab.curves.recurrence import Window, count_mean_number
from wearlab.curves.stratum import as_rows

FITS, OTHERS = read_data("second_source_fits.csv"), read_data("second_source_others.csv")
STRATA = choose_strata()
KINDS = sorted({stratum.kind for stratum in STRATA})


def test_there_are_two_hundred_strata_of_every_censoring_and_fifty_with_late_entry() -> None:
    assert FITS["stratum"].tolist() == list(range(250))
    assert [stratum.kind for stratum in STRATA].count("mixed") >= 20
    assert len(KINDS) == 7


def test_shape_scale_and_log_likelihood_are_those_of_r() -> None:
    fits = fit_together(STRATA)
    np.testing.assert_allclose(fits.shape, FITS["beta"], rtol=1e-6)
    np.testing.assert_allclose(fits.log_eta, np.log(FITS["eta"]), atol=1e-6)
    np.testing.assert_allclose(fits.log_likelihood, FITS["log_likelihood"], rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(fits.life_at(0.1), FITS["b10"], rtol=3e-6)


@pytest.mark.parametrize("kind", KINDS)
def test_limits_are_those_of_r(kind: str) -> None:
    for number, stratum in enumerate(STRATA):
        if stratum.kind != kind:
            continue
        rows, told = as_rows(stratum.obs), FITS.iloc[number]
        found = solve_rows(rows)
        for name, limits in (
            ("beta", limit_shape(rows, found, level=0.9)),
            ("b10", limit_life(rows, found, 0.1, level=0.9)),
        ):
            for end, value in (("low", limits.low[0]), ("high", limits.high[0])):
                assert value == pytest.approx(told[f"{name}_{end}"], rel=1e-6, nan_ok=True), (number, name, end)


def of(what: str, number: int, name: str = "") -> pd.DataFrame:
    rows = OTHERS[(OTHERS["what"] == what) & (OTHERS["set"] == number)]
    return rows[rows["name"].fillna("") == name]


@pytest.mark.parametrize("number", range(SETS))
def test_shares_by_mode_and_their_errors_by_truck_are_those_of_r(number: int) -> None:
    obs, mode = draw_modes(number)
    for found in count_incidence(obs, mode, np.array([2.0, 4.0, 6.0, 9.0]), level=0.9):
        told = of("incidence", number, found.mode)
        np.testing.assert_allclose(found.share, told["value"], atol=1e-10)
        np.testing.assert_allclose(found.error, told["error"], atol=1e-10)


@pytest.mark.parametrize("number", range(SETS))
def test_mean_numbers_and_their_errors_by_truck_are_those_of_r(number: int) -> None:
    places, place, age = draw_repeats(number)
    window = Window(places["start"].to_numpy(), places["end"].to_numpy(), places["truck"].to_numpy())
    mean = count_mean_number(window, place, age, np.array([2.0, 5.0, 8.0]), level=0.9)
    told = of("mean number", number)
    np.testing.assert_allclose(mean.number, told["value"], atol=1e-10)
    np.testing.assert_allclose(mean.error, told["error"], atol=1e-10)


@pytest.mark.parametrize("number", range(SETS))
def test_plain_and_stratified_log_rank_are_those_of_r(number: int) -> None:
    lives = draw_classes(number)
    obs, second = make_observations(lives["exit"], lives["failed"]), (lives["second"] == 1).to_numpy()
    for name, stratum in (("plain", np.zeros(len(lives), dtype=np.int64)), ("stratified", lives["kind"].to_numpy())):
        statistic = float(of("log-rank", number, name)["value"].iloc[0])
        assert compare_groups(obs, second, stratum).p_value == pytest.approx(chi2.sf(statistic, 1), rel=1e-9)

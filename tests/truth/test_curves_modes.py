"""Cumulative incidence, mean cumulative numbers and trend against published data; sources in tests/data."""

import numpy as np
import pandas as pd
import pytest

from tests.curve_data import CASES, load_case, read_data, value_of
from wearlab.curves.incidence import count_incidence
from wearlab.curves.recurrence import Window, count_mean_number, find_trend, military_handbook_test

INCIDENCE = [
    (case, float(name.removeprefix("aj.F1(").rstrip(")")))
    for case in ("cif_shock_absorber", "cif_device_g")
    for name in CASES[case]["values"]
    if name.startswith("aj.F1(")
]
NUMBERS = [
    (case, float(name.removeprefix("mcf.M(").rstrip(")")))
    for case in ("mcf_valve_seat", "mcf_crow_three_systems")
    for name in CASES[case]["values"]
    if name.startswith("mcf.M(")
]


@pytest.mark.parametrize(("case", "age"), INCIDENCE)
def test_cumulative_incidence_and_its_error_are_the_agreed_ones(case: str, age: float) -> None:
    causes = ("M1", "M2") if case == "cif_shock_absorber" else ("surge", "wearout")
    data = read_data(CASES[case]["data"])
    obs = load_case("shock_absorber_all" if case == "cif_shock_absorber" else "device_g_all")
    modes = count_incidence(obs, data["mode"].astype(object).to_numpy(), np.array([age]), level=0.95)
    assert [mode.mode for mode in modes] == list(causes)
    for number, mode in enumerate(modes, start=1):
        assert mode.share[0] == pytest.approx(value_of(case, f"aj.F{number}({age:g})"), abs=1e-11)
        assert mode.error[0] == pytest.approx(value_of(case, f"aj.se_delta_F{number}({age:g})"), abs=1e-11)
    assert 1 - sum(mode.share[0] for mode in modes) == pytest.approx(value_of(case, f"aj.S({age:g})"), abs=1e-11)


def read_events(name: str) -> tuple[Window, np.ndarray, np.ndarray]:
    """Return the windows, the place of each event and its age."""
    data = read_data(name)
    ends = data[data["event"] == "end"]
    units = ends["unit"].to_numpy()
    events = data[data["event"] == "repair"]
    place = pd.Index(units).get_indexer(events["unit"])
    window = Window(np.zeros(len(units)), ends["time"].to_numpy(dtype=float), np.arange(len(units)))
    return window, place, events["time"].to_numpy(dtype=float)


@pytest.mark.parametrize(("case", "age"), NUMBERS)
def test_mean_cumulative_number_and_its_robust_error_are_the_agreed_ones(case: str, age: float) -> None:
    window, place, at = read_events(CASES[case]["data"])
    mean = count_mean_number(window, place, at, np.array([age]), level=0.95)
    assert mean.number[0] == pytest.approx(value_of(case, f"mcf.M({age:g})"), abs=1e-11)
    assert mean.error[0] == pytest.approx(value_of(case, f"mcf.se_robust({age:g})"), abs=1e-11)
    at_last_event = count_mean_number(window, place, at, np.array([at[at <= age].max()]), level=0.95)
    assert at_last_event.at_risk[0] == value_of(case, f"mcf.at_risk({age:g})")
    assert mean.low[0] == pytest.approx(value_of(case, f"mcf.ci95_log_lo({age:g})"), rel=1e-9)
    assert mean.high[0] == pytest.approx(value_of(case, f"mcf.ci95_log_hi({age:g})"), rel=1e-9)


@pytest.mark.parametrize(
    "case", ["nhpp_halfbeak", "nhpp_crow_three_systems", "nhpp_valve_seat", "nhpp_nist_power_law10"]
)
def test_power_law_and_trend_tests_are_the_agreed_ones(case: str) -> None:
    window, place, at = read_events(CASES[case]["data"])
    trend = find_trend(window, place, at)
    assert trend is not None
    for name in ("beta", "eta"):
        assert getattr(trend, name) == pytest.approx(value_of(case, f"nhpp.{name}"), rel=1e-9)
    assert trend.log_likelihood == pytest.approx(value_of(case, "nhpp.loglik"), rel=1e-9)
    if "trend.laplace_z" in CASES[case]["values"]:
        assert trend.z == pytest.approx(value_of(case, "trend.laplace_z"), rel=1e-9)
    if "trend.mil_hdbk_189_chi2" in CASES[case]["values"] and len(window.end) == 1:
        statistic, freedom, _ = military_handbook_test(float(window.end[0]), at)
        assert statistic == pytest.approx(value_of(case, "trend.mil_hdbk_189_chi2"), rel=1e-9)
        assert freedom == value_of(case, "trend.mil_hdbk_189_df")

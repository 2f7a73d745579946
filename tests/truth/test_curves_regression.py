"""Lives compared with other differences held equal, against published regressions; sources stand in tests/data.

The agreed values are coefficients of log life; a class column of 0 and 1 gives a factor of lives, exp(coefficient).
"""

import numpy as np
import pytest

from tests.curve_data import read_data, value_of
from wearlab.curves.observations import FloatArray, Observations, make_observations
from wearlab.curves.regression import compare_lives
from wearlab.curves.weibull import Weibull


def capacitors() -> tuple[Observations, FloatArray, FloatArray]:
    table = read_data("glass_capacitor.csv")
    obs = make_observations(table["time"], table["event"], count=table["count"])
    return obs, table["volts"].to_numpy(dtype=float), table["celsius"].to_numpy(dtype=float)


@pytest.mark.parametrize("case", ["glass_capacitor_V_T", "glass_capacitor_logV_T"])
def test_factors_of_volts_and_temperature_are_the_agreed_ones(case: str) -> None:
    obs, volts, celsius = capacitors()
    stress, name = (np.log(volts), "log_volts") if "log" in case else (volts, "volts")
    scaled = [(values - values.mean()) / values.std() for values in (stress, celsius)]
    for first, second, quantity, spread in (
        (scaled[0], scaled[1], name, stress.std()),
        (scaled[1], scaled[0], "celsius", celsius.std()),
    ):
        found = compare_lives(obs, np.column_stack([first, second]), Weibull(1.5, 1000.0), level=0.9)
        assert found is not None
        assert np.log(found.factor) / spread == pytest.approx(value_of(case, f"aft.{quantity}"), rel=1e-9)


def test_men_against_women_with_late_entry_is_the_agreed_factor() -> None:
    table = read_data("channing.csv")
    table = table[table["age"] > table["ageentry"]]
    obs = make_observations(table["age"], table["death"], entry=table["ageentry"])
    male = (table["gender"] == 1).to_numpy(dtype=float)
    found = compare_lives(obs, male[:, None], Weibull(8.0, 1000.0), level=0.9)
    assert found is not None
    assert np.log(found.factor) == pytest.approx(value_of("channing_aft_male", "aft.male"), rel=1e-9)
    # each resident is a unit of its own, so that the robust error comes near the usual one
    error = np.log(found.high / found.factor) / 1.6448536
    assert error == pytest.approx(value_of("channing_aft_male", "aft.se_male"), rel=0.1)

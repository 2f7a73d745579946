"""Measured wear: rates, miles to the limit, and what is refused or doubted."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.studies.wear_fleet import LIMIT, WearPlan, measured_fleet, miles_left
from wearlab.answers.wear import Wear, convert, measure_wear
from wearlab.answers.wear_rates import Readings, fit_lines, fit_paths
from wearlab.evidence import Unanswered
from wearlab.history.config import FleetConfig, Limits, WearLimit
from wearlab.history.lives import History

HISTORY, CROSSING = measured_fleet(WearPlan(), 1)


def _measure(history: History) -> Wear:
    made = measure_wear(history, level=0.9)
    assert isinstance(made, Wear)
    return made


@pytest.fixture(scope="module")
def made() -> Wear:
    return _measure(HISTORY)


def test_every_running_measured_part_has_one_row(made: Wear) -> None:
    assert len(made.parts) == HISTORY.measurements["life_id"].nunique()
    assert not made.parts.duplicated(["unit_id", "position", "quantity"]).any()


def test_intervals_hold_their_values(made: Wear) -> None:
    parts = made.parts
    assert ((parts["low"] <= parts["miles_to_limit"]) & (parts["miles_to_limit"] <= parts["high"].fillna(np.inf))).all()
    assert ((parts["rate_low"] <= parts["rate"]) & (parts["rate"] <= parts["rate_high"])).all()
    assert np.isfinite(parts[["latest", "rate", "limit"]].to_numpy(dtype=float)).all()


def test_most_true_crossings_lie_inside_their_intervals(made: Wear) -> None:
    parts = made.parts.set_index("unit_id")
    true = pd.Series(miles_left(HISTORY, CROSSING), index=HISTORY.lives["unit_id"]).reindex(parts.index)
    inside = (parts["low"] <= true) & (true <= parts["high"].fillna(np.inf))
    assert inside.mean() > 0.9 - 4 * np.sqrt(0.09 / len(parts))


def test_a_part_measured_once_is_drawn_toward_the_rate_of_its_class() -> None:
    made = _measure(measured_fleet(WearPlan(parts=300), 3)[0])
    parts, classes = made.parts, made.rates.set_index("duty_cycle")["rate"]
    once, often = parts["measurements"] == 1, parts["measurements"] >= 5
    ratio = parts["rate"] / classes.reindex(parts["duty_cycle"]).to_numpy()
    assert ratio[once].std() < 0.8 * ratio[often].std()
    width = (parts["rate_high"] - parts["rate_low"]) / parts["rate"]
    assert width[once].median() > 1.3 * width[often].median()


def test_a_balanced_set_of_lines_agrees_with_least_squares_when_readings_are_exact() -> None:
    age = np.tile([1.0, 2.0, 3.0], 4)
    part = np.repeat(np.arange(4), 3)
    true = np.array([0.5, 1.0, 1.5, 2.0])
    noise = 1e-4 * np.random.default_rng(1).standard_normal(12)
    lines = fit_lines(Readings(age, 0.3 + true[part] * age + noise, part, np.zeros(4, dtype=np.int64)))
    assert lines is not None
    assert lines.rate == pytest.approx(true, abs=1e-3)
    assert lines.start == pytest.approx(np.full(4, 0.3), abs=1e-3)


def test_millimetres_and_inches_give_the_same_miles(made: Wear) -> None:
    metric = HISTORY.measurements.assign(value=HISTORY.measurements["value"] * 25.4, unit="mm")
    other = _measure(replace(HISTORY, measurements=metric))
    assert other.parts["unit"].unique() == ["in"]
    assert other.parts["miles_to_limit"].to_numpy() == pytest.approx(made.parts["miles_to_limit"].to_numpy(), rel=1e-6)
    limit = WearLimit(LIMIT * 25.4, "mm", "the same limit")
    other = _measure(replace(HISTORY, config=FleetConfig(limits=Limits(wear={"joint_play": limit}))))
    assert other.parts["latest"].to_numpy() == pytest.approx(25.4 * made.parts["latest"].to_numpy())
    assert other.parts["miles_to_limit"].to_numpy() == pytest.approx(made.parts["miles_to_limit"].to_numpy(), rel=1e-4)


@pytest.mark.parametrize(
    ("value", "unit", "wanted", "result"),
    [(1.0, "in", "mm", 25.4), (2.54, "cm", "in", 1.0), (1.0, "lb-ft", "N·m", 1.3558179483), (1.0, "in", "N·m", None)],
)
def test_units_of_one_kind_convert_and_others_do_not(
    value: float, unit: str, wanted: str, result: float | None
) -> None:
    assert convert(value, unit, wanted) == (None if result is None else pytest.approx(result))


def test_without_a_limit_there_is_a_rate_but_no_miles_and_the_page_says_so(made: Wear) -> None:
    other = _measure(replace(HISTORY, config=FleetConfig()))
    assert other.parts["miles_to_limit"].isna().all()
    assert other.parts["status"].unique() == ["no limit given"]
    assert sorted(other.parts["rate"]) == pytest.approx(sorted(made.parts["rate"]))
    assert "no-limit" in {caution.code for caution in other.cautions}


def test_a_part_past_its_limit_has_no_miles_left(made: Wear) -> None:
    past = made.parts[made.parts["latest"] >= LIMIT]
    assert len(past)
    assert (past["miles_to_limit"] == 0).all()
    assert (past["status"] == "past the limit").all()
    assert (
        past["standing"]
        .str.match(r"past the limit by [\d.]+ in \(\d+ %\), as measured|at the limit, as measured")
        .all()
    )


def test_parts_stand_in_the_order_in_which_they_are_to_be_looked_at(made: Wear) -> None:
    parts = made.parts
    measured = parts["latest"] >= LIMIT
    assert parts.loc[measured, "latest"].is_monotonic_decreasing
    assert measured[: int(measured.sum())].all()
    by_rate = parts["status"] == "past the limit by its rate"
    assert parts.loc[by_rate, "miles_past"].is_monotonic_decreasing
    rest = parts.loc[~measured & ~by_rate, "miles_to_limit"].dropna()
    assert rest.is_monotonic_increasing


def test_readings_of_parts_replaced_since_teach_but_are_not_listed() -> None:
    history, _ = measured_fleet(WearPlan(replaced_at=0.003), 2)
    gone = history.lives.loc[~history.lives["running"], "unit_id"]
    assert len(gone) > 5
    made = _measure(history)
    assert not made.parts["unit_id"].isin(gone).any()
    assert made.rates["parts"].sum() == history.measurements["life_id"].nunique()


def test_what_is_set_when_fitting_gets_no_rate() -> None:
    torque = HISTORY.measurements.assign(quantity="bolt_torque", unit="lb-ft", value=28.0)
    parts = _measure(replace(HISTORY, measurements=torque)).parts
    assert parts["rate"].isna().all()
    assert parts["status"].unique() == ["set when fitting, not worn"]


def test_readings_at_one_age_give_no_rate_but_are_listed() -> None:
    one = HISTORY.measurements.drop_duplicates("life_id").assign(age_miles=50_000.0)
    made = _measure(replace(HISTORY, measurements=one))
    assert made.parts["rate"].isna().all()
    assert "no-wear-rate" in {caution.code for caution in made.cautions}


def test_one_part_measured_three_times_has_its_own_line() -> None:
    rows = HISTORY.measurements.iloc[:3].assign(
        life_id=0, unit_id="T0000", age_miles=[1e4, 2e4, 3e4], value=[0.001, 0.0021, 0.003]
    )
    parts = _measure(replace(HISTORY, measurements=rows)).parts
    assert parts["rate"].iloc[0] == pytest.approx(1e-7)


def test_a_measurement_on_the_day_of_a_regrease_is_doubted() -> None:
    row = HISTORY.measurements.iloc[[0]]
    stops = pd.DataFrame({"unit_id": row["unit_id"], "date": row["date"], "miles": row["miles"]})
    codes = {caution.code for caution in _measure(replace(HISTORY, stops=stops)).cautions}
    assert "grease-hides-play" in codes


def test_measurements_of_no_known_part_are_left_out_and_counted() -> None:
    lost = HISTORY.measurements["age_miles"].where(HISTORY.measurements["life_id"] > 1)
    made = _measure(replace(HISTORY, measurements=HISTORY.measurements.assign(age_miles=lost)))
    count = int((HISTORY.measurements["life_id"] <= 1).sum())
    assert any(caution.text.startswith(f"{count} measurements") for caution in made.cautions)


def test_without_measurements_there_is_no_answer() -> None:
    made = measure_wear(replace(HISTORY, measurements=HISTORY.measurements.iloc[:0]), level=0.9)
    assert isinstance(made, Unanswered)


def test_straight_wear_is_not_taken_for_bent() -> None:
    for seed in range(4):
        rows = measured_fleet(WearPlan(readings=(5, 8)), seed)[0].measurements
        part, _ = pd.factorize(rows["life_id"])
        classes = np.zeros(part.max() + 1, dtype=np.int64)
        age, value = rows["age_miles"].to_numpy(dtype=float), np.maximum(rows["value"].to_numpy(dtype=float), 1e-5)
        paths = fit_paths(Readings(age, value, part, classes))
        assert paths is not None
        assert paths.power == 1.0

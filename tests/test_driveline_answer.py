"""How much of a class difference is load: planted exponents come back, and what cannot be told apart is said."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullAFTFitter

from tests.curve_histories import make_history, make_lives
from wearlab.answers.driveline import DrivelineAnswer, LoadIndex, answer_driveline, explain_by_load
from wearlab.driveline import Joint, Line
from wearlab.evidence import DataError, Unanswered
from wearlab.history.lives import History


def spectra(hard: float = 2000.0) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "group": ["easy", "hard"],
            "share_of_turns": 1.0,
            "torque_nm": [2000.0, hard],
            "angle_deg": [3.0, 4.5],
            "speed_rpm": [1500.0, 800.0],
        }
    )


def fleet(exponent: float, *, seed: int = 2, trucks: int = 400, ratios: tuple[float, ...] = (3.0, 4.5)) -> History:
    """Return four joints a truck whose life goes with severity per mile to the power −exponent."""
    rng = np.random.default_rng(seed)
    names = np.array([f"T{number:04d}" for number in range(trucks)])
    hard = np.arange(trucks) % 2 == 1
    ratio = np.array(ratios)[rng.integers(0, len(ratios), trucks)]
    severity = np.where(hard, 1.5, 1.0) * ratio / 3.0
    units = pd.DataFrame(
        {
            "unit_id": names,
            "duty_cycle": np.where(hard, "hard", "easy"),
            "axle_ratio": ratio,
            "tire_turns_per_mile": 500.0,
        }
    )
    truck = np.repeat(np.arange(trucks), 4)
    life = 200_000 * severity[truck] ** -exponent * rng.weibull(2.0, len(truck))
    end = rng.uniform(60_000, 260_000, trucks)[truck]
    lives = make_lives(
        np.minimum(life, end),
        life <= end,
        unit_id=names[truck],
        component="joint",
        duty_cycle=np.where(hard[truck], "hard", "easy"),
    )
    return replace(make_history(lives), units=units)


def explain(history: History, table: pd.DataFrame | None = None, level: float = 0.9) -> LoadIndex:
    found = explain_by_load(history, spectra() if table is None else table, reference="easy", level=level, seed=1)
    assert isinstance(found, LoadIndex)
    return found


@pytest.mark.parametrize("exponent", [1.0, 0.4])
def test_a_planted_exponent_comes_back_within_its_interval(exponent):
    index = explain(fleet(exponent, seed=3), level=0.99).index.set_index("comparison")
    for comparison in ("all_trucks", "within_classes"):
        row = index.loc[comparison]
        assert row["exponent_low"] < exponent < row["exponent_high"], comparison
        assert row["exponent_high"] - row["exponent_low"] < 0.7


def test_the_exponent_is_the_slope_that_a_weibull_accelerated_life_regression_finds():
    history = fleet(0.7)
    turns = history.units.set_index("unit_id")["axle_ratio"].reindex(history.lives["unit_id"]).to_numpy() / 3.0
    hard = (history.lives["duty_cycle"] == "hard").to_numpy()
    table = pd.DataFrame(
        {
            "life": history.lives["exit"] / 1e5,
            "failed": history.lives["failed"],
            "log_severity": np.log(turns * np.where(hard, 1.5, 1.0)),
        }
    )
    fitter = WeibullAFTFitter().fit(table, "life", "failed")
    expected = -fitter.params_["lambda_"]["log_severity"]
    assert explain(history).index["exponent"].iloc[0] == pytest.approx(expected, abs=0.005)


def test_a_difference_made_by_load_alone_is_explained_whole():
    row = explain(fleet(1.0, trucks=800)).explained.iloc[0]
    assert row["share_explained_low"] < 1 < row["share_explained_high"]
    assert row["remainder_low"] < 1 < row["remainder_high"]
    assert row["from_load"] == pytest.approx(row["from_turns"] * row["from_torque"] * row["from_angle"])
    assert row["from_angle"] == pytest.approx(1 / 1.5)


def test_a_difference_that_load_does_not_make_is_left_as_remainder():
    history = fleet(0.0)
    hard = (history.lives["duty_cycle"] == "hard").to_numpy()
    shorter = history.lives.assign(exit=np.where(hard, history.lives["exit"] / 3, history.lives["exit"]))
    row = explain(replace(history, lives=shorter)).explained.iloc[0]
    assert row["share_explained_high"] < 0.6
    assert row["remainder_high"] < 0.8


def test_classes_that_cannot_be_told_apart_have_no_share():
    found = explain(fleet(0.0))
    assert np.isnan(found.explained["share_explained"].iloc[0])
    assert "no-difference" in {caution.code for caution in found.cautions}


def test_trucks_of_one_class_that_are_all_alike_cannot_part_class_from_load():
    found = explain(fleet(1.0, ratios=(3.0,)))
    assert list(found.index["comparison"]) == ["all_trucks"]
    assert "class-is-load" in {caution.code for caution in found.cautions}


def test_on_joint_cycles_turns_per_mile_no_longer_count():
    history = replace(fleet(1.0), scale="joint_cycles")
    row = explain(history).explained.iloc[0]
    assert row["from_turns"] == 1
    assert row["cycle_life_ratio"] == row["life_ratio"]


def test_the_same_seed_gives_the_same_tables_and_no_interval_leaves_out_its_value():
    first, again = explain(fleet(0.6)), explain(fleet(0.6))
    for name, table in first.tables().items():
        pd.testing.assert_frame_equal(table, again.tables()[name])
    index = first.index
    assert (index["exponent_low"] <= index["exponent"]).all()
    assert (index["exponent"] <= index["exponent_high"]).all()


def test_a_unit_with_a_spectrum_of_its_own_uses_it():
    history = fleet(1.0, ratios=(3.0,))
    one = spectra().iloc[[0]].assign(group="T0000", torque_nm=6000.0)
    found = explain(history, pd.concat([spectra(), one], ignore_index=True))
    assert "T0000" in set(found.severity.groups["group"])
    assert "within_classes" in set(found.index["comparison"])


def test_one_class_alone_is_a_question_that_cannot_be_answered():
    history = fleet(1.0)
    easy = replace(history, lives=history.lives[history.lives["duty_cycle"] == "easy"])
    found = explain_by_load(easy, spectra(), reference="easy", level=0.9, seed=1)
    assert isinstance(found, Unanswered)
    assert "spectra" in found.fix


def test_a_scale_on_which_load_means_nothing_is_refused():
    with pytest.raises(DataError, match="days"):
        explain_by_load(replace(fleet(1.0), scale="days"), spectra(), reference="easy", level=0.9, seed=1)


def test_a_fleet_is_answered_with_whatever_its_folder_holds(tmp_path: Path):
    history = fleet(1.0)
    nothing = ask(history, tmp_path)
    assert isinstance(nothing, Unanswered)
    assert "angles.csv" in nothing.text
    (tmp_path / "angles.csv").write_text("unit_id,joint,angle_deg\nT0001,1,2\nT0001,2,7\n", encoding="utf-8")
    angles = ask(history, tmp_path)
    assert isinstance(angles, DrivelineAnswer)
    assert list(angles.tables()) == ["lines", "changes", "suggested", "tubes", "references"]
    spectra().to_csv(tmp_path / "spectra.csv", index=False)
    whole = ask(history, tmp_path, line=Line(1800, (Joint(5.0), Joint(3.5))))
    assert isinstance(whole, DrivelineAnswer)
    assert {"explained", "index", "severity", "spectrum", "lines", "changes", "checks", "turn"} <= set(whole.tables())
    assert len(whole.cautions) == len(set(whole.cautions))


def test_a_table_of_nothing_but_its_head_is_no_table(tmp_path: Path):
    (tmp_path / "angles.csv").write_text("unit_id,joint,angle_deg\n", encoding="utf-8")
    (tmp_path / "spectra.csv").write_text("duty_cycle,share_of_turns,torque_nm,angle_deg,speed_rpm\n", encoding="utf-8")
    assert isinstance(ask(fleet(1.0), tmp_path), Unanswered)


def test_a_line_is_checked_where_the_history_cannot_tell_the_classes_apart(tmp_path: Path):
    history = fleet(1.0)
    easy = replace(history, lives=history.lives[history.lives["duty_cycle"] == "easy"])
    spectra().to_csv(tmp_path / "spectra.csv", index=False)
    found = ask(easy, tmp_path, line=Line(1800, (Joint(5.0), Joint(3.5))))
    assert isinstance(found, DrivelineAnswer)
    assert isinstance(found.load, Unanswered)
    assert "checks" in found.tables()
    assert "load-unanswered" in {caution.code for caution in found.cautions}


def test_two_specs_that_are_no_class_of_the_fleet_are_compared_with_each_other(tmp_path: Path):
    specs = spectra().replace({"group": {"easy": "ratio 3.00", "hard": "ratio 4.10"}})
    turns = specs.assign(axle_ratio=[3.0, 4.1], tire_turns_per_mile=513.0)
    turns.to_csv(tmp_path / "spectra.csv", index=False)
    found = ask(fleet(1.0), tmp_path)
    assert isinstance(found, DrivelineAnswer)
    assert "explained" not in found.tables()
    severity = found.tables()["severity"].set_index("group")["severity_per_mile"]
    assert severity["ratio 4.10"] == pytest.approx(1.5 * 4.1 / 3.0)


def ask(history: History, folder: Path, line: Line | None = None) -> DrivelineAnswer | Unanswered:
    return answer_driveline(history, folder, line=line, speed_rpm=None, reference=None, level=0.9, seed=1)

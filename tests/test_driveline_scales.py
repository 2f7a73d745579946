"""Severity as a life scale and as a covariate: what is planted comes back, and no share without a difference."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullAFTFitter

from tests.test_driveline_answer import ask, explain, fleet, spectra
from wearlab.answers.driveline import DrivelineAnswer
from wearlab.history.config import Driveline, DrivelineLimit, FleetConfig


def scales(found) -> pd.DataFrame:
    return found.scales.set_index("life_scale")


def test_in_joint_cycles_the_ratio_of_two_lives_grows_by_the_ratio_of_the_turns():
    history = fleet(1.0, ratios=(3.0,))
    hard = history.units["duty_cycle"] == "hard"
    units = history.units.assign(axle_ratio=np.where(hard, 4.5, 3.0))
    found = explain(replace(history, units=units), spectra())
    table = scales(found)
    assert table["life_ratio"]["joint_cycles"] == pytest.approx(table["life_ratio"]["miles"] * 1.5, rel=1e-6)
    assert table["life_ratio"]["severity_cycles"] == pytest.approx(table["life_ratio"]["miles"] * 1.5 * 1.5, rel=1e-6)
    assert table["life_ratio"]["miles"] == pytest.approx(found.explained["life_ratio"].iloc[0])


def test_a_scale_in_miles_and_its_own_in_cycles_tell_the_same_ratio():
    history = fleet(1.0, ratios=(3.0,))
    turned = history.lives.assign(
        **{name: history.lives[name] * 1500.0 for name in ("entry", "exit", "lower", "upper")}
    )
    cycles = explain(replace(history, lives=turned, scale="joint_cycles"))
    assert scales(cycles)["life_ratio"]["joint_cycles"] == pytest.approx(
        scales(explain(history))["life_ratio"]["miles"]
    )
    assert "miles" not in scales(cycles).index


def test_a_difference_that_load_makes_is_gone_once_load_is_counted():
    table = scales(explain(fleet(1.0, trucks=800, seed=5)))
    for name in ("severity_cycles", "severity_covariate"):
        row = table.loc[name]
        assert row["life_ratio_low"] < 1 < row["life_ratio_high"], name
        assert row["share_explained_low"] < 1 < row["share_explained_high"], name


def test_a_difference_that_load_does_not_make_is_left_by_the_covariate_though_not_by_the_rule():
    history = fleet(0.0, trucks=800, seed=5)
    hard = (history.lives["duty_cycle"] == "hard").to_numpy()
    shorter = history.lives.assign(exit=np.where(hard, history.lives["exit"] / 3, history.lives["exit"]))
    table = scales(explain(replace(history, lives=shorter)))
    row = table.loc["severity_covariate"]
    assert row["share_explained_low"] < 0 < row["share_explained_high"]
    assert row["life_ratio_low"] < 1 / 3 < row["life_ratio_high"]
    assert table["share_explained"]["severity_cycles"] > 0.3


def test_what_the_covariate_leaves_is_what_a_weibull_accelerated_life_regression_leaves():
    history = fleet(0.7, trucks=800, seed=5)
    turns = history.units.set_index("unit_id")["axle_ratio"].reindex(history.lives["unit_id"]).to_numpy() / 3.0
    hard = (history.lives["duty_cycle"] == "hard").to_numpy()
    life = history.lives["exit"] / 1e5
    severity = np.log(turns * np.where(hard, 1.5, 1.0))
    table = pd.DataFrame({"life": life, "failed": history.lives["failed"], "hard": hard * 1.0, "severity": severity})
    fitted = WeibullAFTFitter().fit(table, "life", "failed").params_["lambda_"]
    found = explain(history)
    within = found.index.set_index("comparison").loc["within_classes"]
    assert within["exponent"] == pytest.approx(-fitted["severity"], abs=0.02)
    # Shapes are the classes' own here and one there, so B10 and scale may part by a percent or two.
    assert np.log(scales(found)["life_ratio"]["severity_covariate"]) == pytest.approx(fitted["hard"], abs=0.03)


def test_classes_that_cannot_be_told_apart_have_no_share_on_any_scale():
    found = explain(fleet(0.0))
    assert found.scales["share_explained"].isna().all()
    assert found.scales["life_ratio"].notna().all()


def test_without_the_turns_of_the_trucks_there_are_no_cycles_and_no_index():
    history = fleet(1.0)
    found = explain(replace(history, units=history.units.assign(tire_turns_per_mile=np.nan)))
    assert list(found.scales["life_scale"]) == ["miles"]
    assert found.index.empty
    assert "no-turns-per-mile" in {caution.code for caution in found.cautions}


def test_a_share_is_what_a_scale_takes_from_the_log_of_the_ratio():
    table = scales(explain(fleet(1.0)))
    for name in ("joint_cycles", "severity_cycles", "severity_covariate"):
        left = np.log(table["life_ratio"][name]) / np.log(table["life_ratio"]["miles"])
        assert table["share_explained"][name] == pytest.approx(1 - left)


def test_no_interval_leaves_out_its_value():
    found = explain(fleet(0.6)).scales
    for name in ("life_ratio", "share_explained"):
        rows = found[found[name].notna()]
        assert (rows[f"{name}_low"] <= rows[name]).all()
        assert (rows[name] <= rows[f"{name}_high"]).all()


def test_limits_and_speed_of_the_settings_reach_the_checks_and_the_floor_of_angles_the_severity(tmp_path: Path):
    (tmp_path / "angles.csv").write_text("unit_id,joint,angle_deg\nT0001,1,5\nT0001,2,5\n", encoding="utf-8")
    spectra().to_csv(tmp_path / "spectra.csv", index=False)
    own = (
        DrivelineLimit("preferred_angle", 6.0, "deg", "maker's approval"),
        DrivelineLimit("angle_floor", 4.5, "deg", "ours"),
    )
    plain = fleet(1.0)
    history = replace(plain, config=replace(FleetConfig(), driveline=Driveline(1400.0, own)))
    found = ask(history, tmp_path)
    assert isinstance(found, DrivelineAnswer)
    assert found.tables()["lines"]["speed_rpm"].tolist() == [1400.0]
    assert found.tables()["lines"]["out_of_range"].tolist() == [0]
    assert found.worst is None
    assert found.tables()["severity"].set_index("group")["angle_factor"]["hard"] == 1.0
    assert "maker's approval" in set(found.tables()["references"]["source"])
    assert {"angles.csv", "spectra.csv"} <= {file.name for file in found.basis.files}


def test_a_speed_that_nobody_gave_is_said_to_be_taken(tmp_path: Path):
    (tmp_path / "angles.csv").write_text("unit_id,joint,angle_deg\nT0001,1,5\nT0001,2,5\n", encoding="utf-8")
    found = ask(fleet(1.0), tmp_path)
    assert "speed-assumed" in {caution.code for caution in found.cautions}
    (tmp_path / "angles.csv").write_text("unit_id,joint,angle_deg,speed_rpm\nT0001,1,5,2000\nT0001,2,5,2000\n")
    assert "speed-assumed" not in {caution.code for caution in ask(fleet(1.0), tmp_path).cautions}

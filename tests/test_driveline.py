"""Driveline load: what is refused, what is out of range, and what change brings it in."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from wearlab.driveline import (
    Joint,
    Line,
    Slip,
    Tube,
    check_driveline,
    check_layouts,
    compare_severity,
    edit_references,
    read_angles,
    read_line,
    read_spectra,
)
from wearlab.driveline.kinematics import (
    from_the_rear,
    output_angle,
    ratio_slope,
    residual_angle,
    speed_ratio,
    turn_line,
)
from wearlab.driveline.references import Reference
from wearlab.evidence import DataError

TURN = np.linspace(0, 4 * np.pi, 401)


def out_of_range(check, state="loaded"):
    rows = check.checks[~check.checks["within"].astype(bool) & check.checks["state"].isin([state, ""])]
    return {(row["check"], row["joint"]): row for _, row in rows.iterrows()}


def test_the_driven_yoke_keeps_up_over_many_turns():
    out = output_angle(TURN, np.radians(20))
    assert (np.diff(out) > 0).all()
    assert out[-1] == pytest.approx(4 * np.pi, abs=1e-12)


def test_two_equal_joints_in_phase_give_a_steady_speed():
    _, ratio, slope = turn_line((Joint(7.0), Joint(7.0)), TURN)
    assert ratio[-1] == pytest.approx(np.ones_like(TURN), abs=1e-12)
    assert np.abs(slope[-1]).max() < 1e-12
    assert residual_angle((Joint(7.0), Joint(7.0))) == pytest.approx(0, abs=1e-6)


def test_two_equal_joints_a_quarter_turn_out_of_phase_shake_together():
    line = (Joint(5.0), Joint(5.0, phase_deg=90.0))
    assert residual_angle(line) == pytest.approx(5 * np.sqrt(2))
    _, ratio, _ = turn_line(line, TURN)
    assert ratio[-1].max() == pytest.approx(1 / np.cos(np.radians(5)) ** 2)


def test_a_quarter_turn_of_plane_is_cured_by_a_quarter_turn_of_phase():
    _, ratio, _ = turn_line((Joint(6.0), Joint(6.0, plane_deg=90.0, phase_deg=90.0)), TURN)
    assert ratio[-1] == pytest.approx(np.ones_like(TURN), abs=1e-12)


def test_a_line_read_from_the_rear_twice_is_itself():
    line = (Joint(1.0), Joint(2.0, 10.0, 3.0), Joint(4.0, -20.0, 1.0))
    assert from_the_rear(from_the_rear(line)) == line
    assert residual_angle(from_the_rear(line)) == pytest.approx(residual_angle(line))


def test_a_joint_without_angle_does_nothing():
    assert speed_ratio(TURN, 0.0) == pytest.approx(np.ones_like(TURN))
    assert (ratio_slope(TURN, 0.0) == 0).all()


def test_angles_within_every_limit_need_no_change():
    check = check_driveline(Line(1500, (Joint(2.0), Joint(2.2)), unloaded_angles_deg=(1.0, 1.4)))
    assert check.checks["within"].all()
    assert (check.checks["change_deg"] == 0).all()
    assert set(check.checks["state"]) == {"loaded", "unloaded"}


def test_an_angle_under_the_least_is_opened_by_what_is_missing():
    found = out_of_range(check_driveline(Line(1500, (Joint(0.2), Joint(0.6)))))
    assert found["least_angle", 1]["change_deg"] == pytest.approx(0.3)
    assert "open the angle of joint 1 by 0.30 degrees" in found["least_angle", 1]["text"]


def test_a_mismatch_is_mended_to_exactly_the_limit():
    found = out_of_range(check_driveline(Line(500, (Joint(1.0), Joint(2.9)))))
    change = found["mismatch", 2]["change_deg"]
    assert change == pytest.approx(-0.9)
    assert ("mismatch", 2) not in out_of_range(check_driveline(Line(500, (Joint(1.0), Joint(2.9 + change)))))


@pytest.mark.parametrize("angles", [(7.0, 3.5), (3.5, 7.0), (6.0, 1.0), (2.0, 2.0, 7.0)])
def test_the_change_against_torsional_acceleration_brings_it_in_and_hardly_more(angles):
    line = tuple(Joint(angle) for angle in angles)
    change = out_of_range(check_driveline(Line(2600, line)))["torsional_acceleration", len(line)]["change_deg"]

    def still_out(by: float) -> bool:
        mended = (*line[:-1], Joint(line[-1].angle_deg + by))
        return ("torsional_acceleration", len(line)) in out_of_range(check_driveline(Line(2600, mended)))

    assert not still_out(change)
    assert still_out(change - np.sign(change) * 0.011)


def test_what_no_angle_of_the_last_joint_can_mend_is_said():
    line = (Joint(9.0), Joint(3.0, plane_deg=45.0))
    row = out_of_range(check_driveline(Line(2600, line)))["torsional_acceleration", 2]
    assert np.isnan(row["change_deg"])
    assert "no angle of the last joint alone" in row["text"]


def test_the_change_against_inertial_acceleration_brings_it_in():
    row = out_of_range(check_driveline(Line(3000, (Joint(8.0), Joint(8.0)))))["inertial_acceleration", 1]
    assert row["value"] > 1000
    mended = Joint(8.0 + row["change_deg"])
    shake = check_driveline(Line(3000, (mended, mended))).joints["acceleration"].iloc[0]
    assert shake == pytest.approx(1000, rel=0.005)
    assert shake <= 1000 * 1.005


def test_yokes_out_of_phase_are_found_either_way_round():
    for phase in (4.0, -4.0, 176.0):
        assert ("phase", 2) in out_of_range(check_driveline(Line(1500, (Joint(2.0), Joint(2.0, phase_deg=phase)))))
    assert ("phase", 2) not in out_of_range(check_driveline(Line(1500, (Joint(2.0), Joint(2.0, phase_deg=180.0)))))


def test_too_near_the_critical_speed_says_how_long_the_tube_may_be():
    line = Line(2800, (Joint(1.0), Joint(1.0)), tube=Tube(114.3, 3.4, 2500.0))
    checks = check_driveline(line).checks
    row = checks[checks["check"] == "critical_speed"].iloc[0]
    assert not row["within"]
    length = float(row["text"].split("not longer than ")[1].split(" mm")[0].replace(",", ""))
    share = 2800 / Tube(114.3, 3.4, length).critical_speed_rpm()
    assert share == pytest.approx(0.70, abs=0.001)


def test_a_fleet_may_put_its_own_limits_with_their_source():
    own = edit_references([Reference("preferred_angle", 6.0, "deg", "maker's approval")])
    check = check_driveline(Line(1000, (Joint(5.0), Joint(5.0))), references=own)
    assert check.checks["within"].all()
    assert "maker's approval" in set(check.references["source"])


def test_figures_need_what_was_given():
    assert check_driveline(Line(1500, (Joint(2.0),))).figures.empty
    full = Line(1354.32, (Joint(2.0),), torque_nm=5000, axle_ratio=2.64, tire_turns_per_mile=513, slip=Slip(35.0, 20.0))
    figures = check_driveline(full).figures.set_index("name")["value"]
    assert figures["road_speed"] == pytest.approx(60.0)
    assert figures["spline_work_per_stroke_dry"] == pytest.approx(figures["spline_force_dry"] * 0.020)


def test_every_reference_has_a_source_and_every_result_its_cautions():
    check = check_driveline(Line(1500, (Joint(2.0), Joint(2.0))))
    assert (check.references["source"].str.len() > 5).all()
    assert {"not-a-design-tool", "safety", "one-state"} <= {caution.code for caution in check.cautions}


@pytest.mark.parametrize(
    ("line", "code"),
    [
        (Line(1500, ()), "no-joints"),
        (Line(1500, (Joint(-1.0),)), "bad-angle"),
        (Line(1500, (Joint(float("nan")),)), "bad-angle"),
        (Line(0.0, (Joint(1.0),)), "bad-speed"),
        (Line(float("inf"), (Joint(1.0),)), "bad-speed"),
        (Line(1500, (Joint(1.0), Joint(1.0)), unloaded_angles_deg=(1.0,)), "unequal-angles"),
        (Line(1500, (Joint(1.0),), tube=Tube(100.0, 60.0, 1800.0)), "bad-tube"),
    ],
)
def test_nonsense_is_refused(line, code):
    with pytest.raises(DataError) as refused:
        check_driveline(line)
    assert refused.value.code == code
    assert refused.value.fix


def spectra(**changes):
    table = {
        "group": ["easy", "easy", "hard"],
        "share_of_turns": [0.9, 0.1, 1.0],
        "torque_nm": [1000.0, 2000.0, 2000.0],
        "angle_deg": [1.0, 4.0, 6.0],
        "speed_rpm": [1500.0, 1500.0, 500.0],
    }
    return pd.DataFrame({**table, **changes})


def test_severity_of_the_reference_is_one_and_factors_multiply():
    groups = compare_severity(spectra(axle_ratio=[3.0, 3.0, 4.5], tire_turns_per_mile=500.0), reference="easy").groups
    easy, hard = (groups[groups["group"] == name].iloc[0] for name in ("easy", "hard"))
    assert easy["severity_per_mile"] == easy["severity_per_hour"] == 1
    direct = 2000 ** (10 / 3) * 6 / (0.9 * 1000 ** (10 / 3) * 3 + 0.1 * 2000 ** (10 / 3) * 4)
    assert hard["severity_per_turn"] == pytest.approx(direct)
    assert hard["severity_per_mile"] == pytest.approx(direct * 1.5)
    assert hard["severity_per_hour"] == pytest.approx(direct / 3)


def test_shares_of_damage_sum_to_one_in_each_group():
    bins = compare_severity(spectra(), reference="easy").bins
    assert bins.groupby("group")["share_of_damage"].sum().to_numpy() == pytest.approx([1, 1])


def test_without_turns_per_mile_there_is_no_ratio_per_mile_and_it_is_said():
    severity = compare_severity(spectra(), reference="easy")
    assert severity.groups["severity_per_mile"].isna().all()
    assert "no-turns-per-mile" in {caution.code for caution in severity.cautions}


@pytest.mark.parametrize(
    ("text", "code", "line"),
    [
        ("", "unreadable", None),
        ("group,share_of_turns,torque_nm,angle_deg\n", "missing-column", 1),
        ("group,share_of_turns,torque_nm,angle_deg,speed_rpm\n", "no-rows", None),
        ("group,share_of_turns,torque_nm,angle_deg,speed_rpm\na,1,much,3,1500\n", "bad-value", 2),
        ("group,share_of_turns,torque_nm,angle_deg,speed_rpm\na,1,10,3,1500\nb,1,10,3,0\n", "bad-value", 3),
        ("group,share_of_turns,torque_nm,angle_deg,speed_rpm\na,1,10,3,1500\nb,-1,10,3,9\n", "bad-value", 3),
        ("group,share_of_turns,torque_nm,angle_deg,speed_rpm\na,0.7,10,3,1500\n", "bad-shares", 2),
        ("group,share_of_turns,torque_nm,angle_deg,speed_rpm\na,,10,3,1500\n", "bad-value", 2),
    ],
)
def test_a_spectra_file_that_cannot_be_used_is_refused_with_its_place(tmp_path: Path, text, code, line):
    path = tmp_path / "spectra.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DataError) as refused:
        read_spectra(path)
    assert (refused.value.code, refused.value.file, refused.value.line) == (code, "spectra.csv", line)


def test_a_reference_that_is_not_there_is_refused_with_those_that_are():
    with pytest.raises(DataError, match="easy, hard"):
        compare_severity(spectra(), reference="medium")


def angles(**changes):
    table = {
        "unit_id": ["A", "A", "B", "B"],
        "line": "main",
        "joint": [1.0, 2.0, 1.0, 2.0],
        "angle_deg": [2.0, 2.2, 5.0, 2.0],
        "unloaded_angle_deg": [1.0, 1.1, 0.3, 0.6],
    }
    return pd.DataFrame({**table, **changes})


def test_units_out_of_range_are_found_in_either_state_with_the_change_that_mends_each():
    found = check_layouts(angles(), speed_rpm=1500)
    lines = found.lines.set_index("unit_id")
    assert lines["out_of_range"].to_dict() == {"A": 0, "B": 3}
    assert set(zip(found.changes["check"], found.changes["state"], strict=True)) == {
        ("preferred_angle", "loaded"),
        ("mismatch", "loaded"),
        ("least_angle", "unloaded"),
    }
    assert lines.loc["A", "worst"] == ""
    assert "joint 2" in lines.loc["B", "worst"]


def test_a_unit_gives_its_own_speed_and_order_of_rows_does_not_matter():
    fast = angles(speed_rpm=[np.nan, np.nan, 3400.0, 3400.0])
    found = check_layouts(fast, speed_rpm=1500)
    assert found.lines.set_index("unit_id")["speed_rpm"].to_dict() == {"A": 1500.0, "B": 3400.0}
    assert "torsional_acceleration" in set(found.changes["check"])
    pd.testing.assert_frame_equal(check_layouts(fast.iloc[::-1], speed_rpm=1500).changes, found.changes)


def test_one_state_only_is_said():
    found = check_layouts(angles().drop(columns="unloaded_angle_deg"), speed_rpm=1500)
    assert "one-state" in {caution.code for caution in found.cautions}


@pytest.mark.parametrize(
    ("text", "code", "line"),
    [
        ("unit_id,joint\nA,1\n", "missing-column", 1),
        ("unit_id,joint,angle_deg\nA,1,2\nA,2,steep\n", "bad-value", 3),
        ("unit_id,joint,angle_deg\nA,1,2\nA,2,inf\n", "bad-value", 3),
        ("unit_id,joint,angle_deg\nA,1,2\nA,2,\n", "bad-angle", 3),
        ("unit_id,joint,angle_deg\nA,1,-2\n", "bad-angle", 2),
        ("unit_id,joint,angle_deg\nA,1,2\nA,1,3\n", "joint-twice", 3),
    ],
)
def test_a_file_of_angles_that_cannot_be_used_is_refused_with_its_place(tmp_path: Path, text, code, line):
    path = tmp_path / "angles.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DataError) as refused:
        read_angles(path)
    assert (refused.value.code, refused.value.file, refused.value.line) == (code, "angles.csv", line)


def test_a_spectrum_that_is_nobodys_is_refused(tmp_path: Path):
    path = tmp_path / "spectra.csv"
    path.write_text("share_of_turns,torque_nm,angle_deg,speed_rpm\n1,10,3,1500\n", encoding="utf-8")
    with pytest.raises(DataError, match="duty_cycle, unit_id or group"):
        read_spectra(path)


def test_a_line_is_read_as_it_is_typed():
    line = read_line(1800, "5, 3.5", unloaded="4,3", phases="2", torque_nm=900, drive="3.55,513", tube="114.3,3.4,1800",
                     spline="35")  # fmt: skip
    assert line.joints == (Joint(5.0), Joint(3.5, phase_deg=2.0))
    assert (line.axle_ratio, line.tire_turns_per_mile) == (3.55, 513.0)
    assert (line.unloaded_angles_deg, line.tube, line.slip) == ((4.0, 3.0), Tube(114.3, 3.4, 1800.0), Slip(35.0))
    assert read_line(1800, "5").tube is None


@pytest.mark.parametrize(
    "given",
    [{"angles": "five"},
        {"angles": "nan"}, {"angles": ""}, {"angles": "5,3", "phases": "1,2,3"}, {"angles": "5", "drive": "3.55"},
     {"angles": "5", "tube": "114.3,3.4"}, {"angles": "5", "spline": "35,20,1"}],
)  # fmt: skip
def test_a_list_that_is_not_as_wanted_is_refused_with_an_example(given):
    with pytest.raises(DataError) as refused:
        read_line(1800, given.pop("angles"), **given)
    assert refused.value.fix


def test_the_mean_speed_of_a_spectrum_is_over_time_not_over_turns():
    # A thousand turns at 1,000 a minute and a thousand at 500 take one minute and two: 2,000 turns in three minutes.
    table = spectra(share_of_turns=[0.5, 0.5, 1.0], speed_rpm=[1000.0, 500.0, 500.0])
    groups = compare_severity(table, reference="easy").groups.set_index("group")
    assert groups["mean_speed_rpm"]["easy"] == pytest.approx(2000 / 3)


def test_a_steeper_front_joint_is_matched_by_opening_the_rear_one():
    found = out_of_range(check_driveline(Line(500, (Joint(2.9), Joint(1.0)))))
    assert found["mismatch", 2]["change_deg"] == pytest.approx(0.9)

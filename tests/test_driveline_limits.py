"""Limits of the driveline as data: edited with their source, kept for a whole line, read from fleet.toml."""

import csv
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.test_config import FIRST, read, refuse
from wearlab.driveline import (
    Joint,
    Line,
    Reference,
    Tube,
    check_driveline,
    check_layouts,
    edit_references,
    read_angles,
    read_references,
    worst_line,
)
from wearlab.driveline.references import FILE
from wearlab.driveline.suggest import suggest_changes
from wearlab.evidence import DataError

LIMITS = read_references()


def test_every_shipped_limit_has_a_value_a_unit_and_a_source():
    with FILE.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["name"] for row in rows] == [one.name for one in LIMITS.rows]
    assert all(float(row["value"]) > 0 and row["unit"] and len(row["source"]) > 5 for row in rows)
    assert not any(one.own for one in LIMITS.rows)


def test_an_edited_limit_is_used_and_its_source_is_printed_beside_it():
    own = edit_references([Reference("mismatch", 0.5, "deg", "maker's approval, sheet 3")])
    check = check_driveline(Line(1000, (Joint(2.0), Joint(2.8))), references=own)
    row = check.checks[check.checks["check"] == "mismatch"].iloc[0]
    assert (row["limit"], row["within"], row["source"]) == (0.5, False, "maker's approval, sheet 3")
    assert check.references.set_index("name")["own"]["mismatch"]
    assert check.references["own"].sum() == 1


@pytest.mark.parametrize(
    ("edit", "says"),
    [
        (Reference("mismach", 1.0, "deg", "ours"), "mismatch"),
        (Reference("wobble", 1.0, "deg", "ours"), "least_angle"),
        (Reference("mismatch", 1.0, "rad", "ours"), "deg"),
        (Reference("mismatch", 90.0, "deg", "ours"), "cannot be right"),
        (Reference("share_of_critical_speed", 1.2, "share", "ours"), "cannot be right"),
        (Reference("mismatch", 1.0, "deg", "  "), "source"),
    ],
)
def test_a_limit_that_cannot_be_used_is_refused_with_what_would_do(edit, says):
    with pytest.raises(DataError) as refused:
        edit_references([edit])
    assert says in str(refused.value)
    assert refused.value.file == "fleet.toml"


def test_a_limit_given_twice_is_refused():
    one = Reference("mismatch", 1.0, "deg", "ours")
    with pytest.raises(DataError, match="twice"):
        edit_references([one, one])


def test_a_fleet_writes_its_limits_and_its_speed_into_its_settings(tmp_path: Path):
    config = read(
        tmp_path,
        FIRST + '[driveline]\nspeed_rpm = 2100\n[[driveline.limits]]\nname = "phase"\nvalue = 1\nunit = "deg"\n'
        'source = "ours"\n[[driveline.limits]]\nname = "mismatch"\nvalue = 0.5\nunit = "deg"\nsource = "ours too"\n',
    )  # fmt: skip
    assert config.driveline.speed_rpm == 2100
    assert [(one.name, one.value, one.source) for one in config.driveline.limits] == [
        ("phase", 1.0, "ours"),
        ("mismatch", 0.5, "ours too"),
    ]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[[driveline.limits]]\nname = "phase"\nvalue = 1\nunit = "deg"\n', "source"),
        ('[[driveline.limits]]\nname = "phase"\nunit = "deg"\nsource = "ours"\n', "value"),
        ('[[driveline.limits]]\nname = "phase"\nvalue = 1\nunit = "deg"\nsource = ""\n', "source"),
        ('[[driveline.limits]]\nname = "phase"\nvalue = "1"\nunit = "deg"\nsource = "ours"\n', "value"),
        ('[[driveline.limits]]\nnam = "phase"\n', "name"),
        ("[driveline]\nlimits = 3\n", "driveline.limits"),
        ("[driveline]\nspeed = 3\n", "speed_rpm"),
        ("[driveline]\nspeed_rpm = 0\n", "speed_rpm"),
    ],
)
def test_a_setting_of_the_driveline_that_cannot_be_used_is_refused(tmp_path: Path, text, says):
    assert says in str(refuse(tmp_path, FIRST + text))


def mended(line: Line) -> Line:
    changes = check_driveline(line).mended.set_index("joint")["change_deg"]
    joints = tuple(
        Joint(joint.angle_deg + changes.get(number, 0.0), joint.plane_deg, joint.phase_deg)
        for number, joint in enumerate(line.joints, start=1)
    )
    bare = tuple(angle + changes.get(number, 0.0) for number, angle in enumerate(line.unloaded_angles_deg or (), 1))
    return Line(line.speed_rpm, joints, unloaded_angles_deg=bare or None)


@pytest.mark.parametrize(
    ("angles", "unloaded", "speed"),
    [
        ((7.0, 3.5), (6.0, 3.5), 2600),
        ((0.25, 0.0), (0.5, 0.25), 1500),
        ((2.0, 2.0, 7.0), None, 2600),
        ((5.5, 1.0, 4.0, 0.0), (5.0, 1.5, 3.5, 0.5), 3000),
        ((3.1, 4.3), None, 4000),
        ((2.0, 2.0), (1.0, 2.75), 1000),
    ],
)
def test_the_suggested_changes_bring_every_angle_in_loaded_and_unloaded(angles, unloaded, speed):
    line = Line(speed, tuple(map(Joint, angles)), unloaded_angles_deg=unloaded)
    assert not check_driveline(line).checks["within"].all()
    assert check_driveline(mended(line)).checks["within"].all()


def test_no_smaller_set_of_quarter_degrees_would_do():
    # Every pair of changes tried one by one through the whole check.
    line = Line(3200, (Joint(4.5), Joint(1.0)), unloaded_angles_deg=(4.0, 1.75))
    found = check_driveline(line).mended["change_deg"].abs().sum()
    steps = np.arange(-4.5, 3.25, 0.25)
    able = []
    for first, second in product(steps, steps):
        if min(4.5 + first, 4.0 + first, 1.0 + second, 1.75 + second) < 0:
            continue
        tried = Line(
            3200,
            (Joint(4.5 + first), Joint(1.0 + second)),
            unloaded_angles_deg=(4.0 + first, 1.75 + second),
        )
        if abs(first) + abs(second) <= found and check_driveline(tried).checks["within"].all():
            able.append(abs(first) + abs(second))
    assert min(able) == pytest.approx(found)


def test_a_line_within_its_limits_needs_no_change():
    check = check_driveline(Line(1500, (Joint(2.0), Joint(2.2))))
    assert check.mended.empty
    assert "no-suggestion" not in {caution.code for caution in check.cautions}


def test_where_no_set_of_angles_will_do_it_is_said_why():
    apart = check_driveline(Line(1500, (Joint(3.0), Joint(3.0)), unloaded_angles_deg=(9.0, 3.0)))
    assert "joint 1" in next(caution.text for caution in apart.cautions if caution.code == "no-suggestion")
    crossed = (Joint(2.0), Joint(2.0, plane_deg=45.0))
    limits = edit_references(
        [Reference("torsional_acceleration", 5.0, "rad/s2", "ours"), Reference("least_angle", 1.0, "deg", "ours")]
    )
    assert "planes and phases" in suggest_changes(3000, (crossed,), limits).text
    assert "too many joints" in suggest_changes(2600, (tuple(Joint(5.0) for _ in range(9)),), LIMITS).text


def table(**changes) -> pd.DataFrame:
    base = {
        "unit_id": ["A", "A", "B", "B"],
        "line": "main",
        "joint": [1.0, 2.0, 1.0, 2.0],
        "angle_deg": [2.0, 2.25, 5.0, 2.0],
        "tube_outer_mm": [101.6, np.nan, 101.6, np.nan],
        "tube_wall_mm": [3.2, np.nan, 3.2, np.nan],
        "tube_length_mm": [1500.0, np.nan, 2400.0, np.nan],
    }
    return pd.DataFrame({**base, **changes})


def test_measured_tubes_are_held_against_their_critical_speeds():
    found = check_layouts(table(), speed_rpm=2500)
    tubes = found.tubes.set_index("unit_id")
    assert tubes["critical_rpm"]["B"] == pytest.approx(Tube(101.6, 3.2, 2400.0).critical_speed_rpm())
    assert tubes["within"].to_dict() == {"A": True, "B": False}
    row = found.changes[found.changes["check"] == "critical_speed"].iloc[0]
    assert (row["unit_id"], row["joint"]) == ("B", 1)
    assert "not longer than" in row["text"]


def test_each_line_of_a_fleet_has_its_own_changes_and_the_worst_is_found():
    found = check_layouts(table(), speed_rpm=2500)
    lines = found.lines.set_index("unit_id")
    assert lines["together"]["A"] == ""
    assert "reduce joint 1 by 2.00 degrees" in lines["together"]["B"]
    assert set(found.suggested["unit_id"]) == {"B"}
    line, whose = worst_line(table(), found) or (None, "")
    assert line == Line(2500, (Joint(5.0), Joint(2.0)))
    assert whose == "angles.csv, truck B, line main"
    assert worst_line(table(), check_layouts(table(angle_deg=2.0, tube_length_mm=900.0), speed_rpm=1500)) is None


@pytest.mark.parametrize(
    ("columns", "values", "code"),
    [
        ("tube_outer_mm,tube_wall_mm,tube_length_mm", "101.6,3.2,", "bad-tube"),
        ("tube_outer_mm,tube_wall_mm,tube_length_mm", "101.6,60,1500", "bad-tube"),
        ("tube_outer_mm", "101.6", "bad-tube"),
        ("speed_rpm", "0", "bad-speed"),
    ],
)
def test_a_tube_or_speed_that_cannot_be_is_refused_with_its_place(tmp_path: Path, columns, values, code):
    path = tmp_path / "angles.csv"
    path.write_text(f"unit_id,joint,angle_deg,{columns}\nA,1,2,{values}\n", encoding="utf-8")
    with pytest.raises(DataError) as refused:
        read_angles(path)
    assert (refused.value.code, refused.value.line) == (code, 2)

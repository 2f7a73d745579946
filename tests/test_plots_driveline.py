"""Charts of the driveline are drawn on the ax they are given and hold what their table holds."""

from typing import Any

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from wearlab.answers.driveline import DrivelineAnswer
from wearlab.driveline import Joint, Line, Tube, check_driveline, check_layouts, compare_severity, worst_line
from wearlab.evidence import Basis, Unanswered
from wearlab.show.pictures_shaft import picture_margin, picture_turn, write_pictures
from wearlab.show.plots import draw_svg
from wearlab.show.plots_driveline import draw_damage, draw_margin, draw_turn

CHECK = check_driveline(Line(1800, (Joint(5.0), Joint(3.5))))
SPECTRA = pd.DataFrame(
    {
        "group": ["line_haul", "line_haul", "vocational", "vocational"],
        "share_of_turns": [0.9, 0.1, 0.8, 0.2],
        "torque_nm": [900.0, 3000.0, 1200.0, 4000.0],
        "angle_deg": 3.0,
        "speed_rpm": 1400.0,
    }
)


@pytest.mark.parametrize("quantity", ["ratio", "acceleration"])
def test_a_turn_has_a_line_per_joint_that_is_its_table(quantity):
    ax = draw_turn(CHECK.turn, ax=Figure().add_subplot(), quantity=quantity)
    assert [line.get_label() for line in ax.get_lines()] == ["behind joint 1", "behind joint 2"]
    drawn = np.asarray(ax.get_lines()[1].get_ydata())
    assert drawn == pytest.approx(CHECK.turn[CHECK.turn["behind_joint"] == 2][quantity].to_numpy())


def test_a_limit_is_drawn_on_both_sides():
    ax = draw_turn(CHECK.turn, ax=Figure().add_subplot(), quantity="acceleration", limit=300.0)
    levels = sorted(np.asarray(line.get_ydata())[0] for line in ax.get_lines()[2:])
    assert levels == [-300.0, 300.0]


def test_each_bar_of_damage_fills_the_whole_width_and_ends_with_the_highest_torque():
    severity = compare_severity(SPECTRA, reference="line_haul")
    ax = draw_damage(severity.bins, ax=Figure().add_subplot())
    ends: dict[float, float] = {}
    for bar in ax.patches:
        middle = round(bar.get_y() + bar.get_height() / 2, 6)
        ends[middle] = max(ends.get(middle, 0.0), bar.get_x() + bar.get_width())
    assert list(ends.values()) == pytest.approx([1.0] * 4)
    assert "line-haul, life used" in [label.get_text() for label in ax.get_yticklabels()]


def test_the_margin_is_drawn_with_the_shaft_in_its_place():
    tube = Tube(114.3, 3.4, 1800.0)
    lengths = np.linspace(1200, 2400, 25)
    critical = [Tube(114.3, 3.4, length).critical_speed_rpm() for length in lengths]
    ax = draw_margin(lengths, critical, ax=Figure().add_subplot(), at=(1800.0, 2000.0), share=0.7)
    assert np.interp(1800, lengths, np.asarray(ax.get_lines()[0].get_ydata())) == pytest.approx(
        tube.critical_speed_rpm(), rel=0.01
    )
    assert float(np.asarray(ax.get_lines()[2].get_xdata())[0]) == 1800.0


def test_the_same_drawing_gives_the_same_bytes():
    def draw() -> str:
        return draw_svg(lambda ax: draw_turn(CHECK.turn, ax=ax), name="turn", alt="speed over a turn")

    assert draw() == draw()
    assert "behind joint 2" in draw()


def answer(**parts: object) -> DrivelineAnswer:
    nothing: dict[str, Any] = dict.fromkeys(("line", "layouts", "worst", "severity", "load"))
    basis = Basis("made up for a test", (), None, "miles", 0.9, (), 0, 0)
    return DrivelineAnswer(basis, (), **{**nothing, **parts})


def test_every_picture_of_an_answer_is_written_with_its_data(tmp_path):
    line = check_driveline(Line(2600, (Joint(5.0), Joint(3.5)), tube=Tube(101.6, 3.2, 2400.0)))
    severity = compare_severity(SPECTRA, reference="line_haul")
    written = {path.name for path in write_pictures(answer(line=line, severity=severity), tmp_path / "new")}
    assert {"turn_1.svg", "turn_2.svg", "margin_1.svg", "picture_turn.csv", "picture_margin.csv"} <= written
    assert {"load_1.svg", "picture_load.csv"} <= written
    assert all((tmp_path / "new" / name).stat().st_size > 100 for name in written)


def test_a_picture_says_its_message_its_numbers_and_where_they_come_from():
    line = check_driveline(Line(2600, (Joint(5.0), Joint(3.5)), tube=Tube(101.6, 3.2, 2400.0)), source="as typed")
    turn, margin = picture_turn(answer(line=line)), picture_margin(answer(line=line))
    assert turn is not None
    assert margin is not None
    last = line.shafts["drive_acceleration"].iloc[-1]
    assert f"{last:.0f} rad/s², within the limit of 300" in turn.title
    assert "as typed" in turn.source
    assert len(turn.words) == 2
    share = 2600 / Tube(101.6, 3.2, 2400.0).critical_speed_rpm()
    assert f"{share:.0%}".replace("%", " %") in margin.title
    assert "over the 70 %" in margin.title
    assert margin.data["usable_rpm"].to_numpy() == pytest.approx(0.7 * margin.data["critical_rpm"].to_numpy())
    assert all(panel.svg.startswith("<svg") and "aria-label" in panel.svg for panel in (*turn.panels, *margin.panels))


def test_the_worst_measured_line_and_the_tightest_tube_stand_in_where_no_line_is_typed():
    table = pd.DataFrame(
        {
            "unit_id": ["A", "A", "B", "B"],
            "line": "main",
            "joint": [1.0, 2.0, 1.0, 2.0],
            "angle_deg": [2.0, 2.0, 6.0, 2.0],
            "tube_outer_mm": 101.6,
            "tube_wall_mm": 3.2,
            "tube_length_mm": [2200.0, 900.0, 1500.0, 900.0],
        }
    )
    layouts = check_layouts(table, speed_rpm=2400)
    line, whose = worst_line(table, layouts) or pytest.fail("no line is out of range")
    found = answer(layouts=layouts, worst=check_driveline(line, source=whose))
    turn, margin = picture_turn(found), picture_margin(found)
    assert turn is not None
    assert margin is not None
    assert "truck B" in turn.source
    assert "truck A" in margin.source


def test_without_a_line_there_is_nothing_to_draw_of_it():
    assert picture_turn(answer()) is None
    assert picture_margin(answer()) is None
    basis = Basis("made up for a test", (), None, "miles", 0.9, (), 0, 0)
    assert picture_turn(Unanswered(basis, (), "x", "nothing", "something")) is None

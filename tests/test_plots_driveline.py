"""Charts of the driveline are drawn on the ax they are given and hold what their table holds."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from wearlab.driveline import Joint, Line, Tube, check_driveline, compare_severity
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

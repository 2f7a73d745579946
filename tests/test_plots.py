"""Charts are drawn on the ax they are given, the same each time, with letters instead of formulas."""

from collections.abc import Callable
from functools import partial
from xml.etree import ElementTree as ET

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from wearlab.show.plots import ROLES, draw_svg, short_number
from wearlab.show.plots_failures import draw_fan, draw_observed, draw_timeline
from wearlab.show.plots_lives import draw_bars, draw_life_curves, draw_paper, draw_ranges
from wearlab.show.plots_practice import Marks, draw_cost, draw_gaps, draw_practice
from wearlab.show.plots_records import draw_meter, draw_wear

AGE = np.linspace(0, 200_000, 25)
CURVES = pd.concat(
    [
        pd.DataFrame(
            {
                "group": group,
                "age": AGE,
                "survival": np.exp(-((AGE / eta) ** 2)),
                "low": np.exp(-((AGE / eta) ** 2)) * 0.9,
                "high": np.minimum(1, np.exp(-((AGE / eta) ** 2)) * 1.1),
                "observed": np.exp(-((AGE / eta) ** 2)),
                "at_risk": 100 - AGE / 2_500,
            }
        )
        for group, eta in (("line_haul", 200_000.0), ("vocational", 90_000.0))
    ],
    ignore_index=True,
)
RANGES = pd.DataFrame(
    {"label": ["line_haul", "vocational"], "value": [9.0, 4.0], "low": [7.0, np.nan], "high": [np.nan, 6.0]}
)
COSTS = pd.DataFrame({"interval": [4e3, 8e3, 16e3], "cost": [9.0, 7.0, 8.0]})
BANDS = pd.DataFrame(
    {
        "practised_low": [4e3, 8e3],
        "practised_high": [8e3, 12e3],
        "failures": [20, 31],
        "rate": [1.0, 2.0],
        "rate_low": [0.7, 1.4],
        "rate_high": [1.4, 2.7],
    }
)
LINE = pd.DataFrame({"practised": [4e3, 12e3], "rate": [0.9, 2.2]})
GAPS = pd.DataFrame({"low": [0.0, 1e3], "high": [1e3, 2e3], "gaps": [4, 9]})
UNITS = pd.DataFrame({"label": ["A", "B"], "observed": [1, 9], "expected": [0.8, 1.1], "flagged": [False, True]})
MONTHS = pd.DataFrame(
    {
        "month": pd.to_datetime(["2025-01-01", "2025-02-01"]),
        "observed": [3, 5],
        "expected": [2.0, 2.1],
        "suspect": [0, 4],
    }
)
FAN = pd.DataFrame({"months": [1, 2], "expected": [3.0, 6.1], "low": [1.0, 3.0], "high": [6.0, 10.0]})
MARKS = Marks(current=9e3, recommended=7e3, low=5e3, high=8e3)
PAPER = pd.DataFrame(
    {"group": ["a", "a", "b"], "age": [2e4, 9e4, 5e4], "y": [-3.0, 0.2, -1.0], "line": [-2.9, 0.1, -1.0]}
)
PATHS = pd.DataFrame({"label": ["T1 main", "T1 main"], "age": [2e4, 9e4], "value": [0.002, 0.0051]})
METER = pd.DataFrame(
    {
        "date": pd.to_datetime(["2025-01-01", "2025-02-01", "2025-03-01"]),
        "raw_miles": [1e5, 9e5, 1.2e5],
        "miles": [1e5, 1.1e5, 1.2e5],
        "disregarded": [False, True, False],
    }
)
DRAWINGS: dict[str, Callable[..., Axes]] = {
    "curves": partial(draw_life_curves, CURVES, scale="miles"),
    "ranges": partial(draw_ranges, RANGES, x="miles", y="B10 life", even=5.0),
    "bars": partial(draw_bars, RANGES, x="failures", y="Expected"),
    "cost": partial(draw_cost, COSTS, marks=MARKS, currency="USD", scale="miles"),
    "practice": partial(draw_practice, BANDS, LINE, scale="miles"),
    "gaps": partial(draw_gaps, GAPS, planned=1_500.0, scale="miles"),
    "observed": partial(draw_observed, UNITS),
    "paper": partial(draw_paper, PAPER, scale="miles"),
    "wear": partial(draw_wear, PATHS, limit=0.006, unit="in"),
    "meter": partial(draw_meter, METER),
    "fan": partial(draw_fan, FAN),
    "timeline": partial(draw_timeline, MONTHS, y="Failures"),
}


def svg_of(draw: Callable[..., Axes], name: str = "chart") -> str:
    return draw_svg(lambda ax: draw(ax=ax), name=name, alt="What it shows")


@pytest.mark.parametrize("name", DRAWINGS)
def test_each_chart_draws_on_the_ax_it_is_given_and_returns_it(name: str) -> None:
    axes = Figure().add_subplot()
    assert DRAWINGS[name](ax=axes) is axes


@pytest.mark.parametrize("name", DRAWINGS)
def test_each_chart_names_both_axes(name: str) -> None:
    axes = DRAWINGS[name](ax=Figure().add_subplot())
    assert axes.get_xlabel()
    assert axes.get_title(loc="left")


@pytest.mark.parametrize("name", DRAWINGS)
def test_the_same_drawing_gives_the_same_bytes_and_sound_xml(name: str) -> None:
    first = svg_of(DRAWINGS[name])
    assert first == svg_of(DRAWINGS[name])
    root = ET.fromstring(first.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))  # noqa: S314
    assert root.get("role") == "img"
    assert root.get("aria-label") == "What it shows"


@pytest.mark.parametrize("name", DRAWINGS)
def test_a_chart_has_no_colour_but_those_that_the_page_gives(name: str) -> None:
    svg = svg_of(DRAWINGS[name])
    assert "#" not in svg.replace('href="#', "").replace("url(#", "")
    assert "nan" not in svg.lower()


def test_charts_of_different_names_share_no_ids() -> None:
    ids = [{part.split('"')[0] for part in svg_of(DRAWINGS["curves"], name).split(' id="')[1:]} for name in ("a", "b")]
    assert ids[0]
    assert not ids[0] & ids[1]


def test_every_colour_has_a_role_of_its_own() -> None:
    assert len(set(ROLES.values())) == len(ROLES)


def test_a_name_from_the_data_is_drawn_as_letters_never_as_markup_or_formula() -> None:
    name = r"<b>x</b> $\frac{1}{0}$"
    svg = svg_of(partial(draw_ranges, RANGES.assign(label=[name, "b"]), x="x", y="y"))
    assert r">&lt;b&gt;x&lt;/b&gt; $\frac{1}{0}$</text>" in svg


def test_an_interval_without_an_end_runs_to_the_edge() -> None:
    axes = draw_ranges(RANGES, ax=Figure().add_subplot(), x="x", y="y")
    ends = [line.get_xdata() for line in axes.lines if len(line.get_xdata()) == 2]
    assert ends[0][0] == 7.0
    assert ends[0][1] >= 9.0
    assert ends[1][0] == 0.0


@pytest.mark.parametrize(
    ("value", "text"), [(0, "0"), (900, "900"), (6_000, "6,000"), (12_500, "12.5k"), (120_000, "120k"), (1.5e6, "1.5M")]
)
def test_axis_numbers_are_short_but_whole(value: float, text: str) -> None:
    assert short_number(value) == text

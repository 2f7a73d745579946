"""Whether trucks are used as their duty cycle says."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.curve_histories import make_history, make_lives
from wearlab.answers.classes import DutyCycles, describe_classes
from wearlab.evidence import Unanswered

BASE = make_history(make_lives(np.array([1.0]), np.array([0])))


def _describe(**columns: object) -> pd.DataFrame:
    size = len(columns["miles_per_day"])  # type: ignore[arg-type]
    units = pd.DataFrame(
        {
            "unit_id": [f"T{i}" for i in range(size)],
            "duty_cycle": "regional",
            "miles_per_day": np.nan,
            "hours_per_day": np.nan,
            "exposure_days": 900.0,
        }
        | columns,
        index=range(size),
    )
    made = describe_classes(replace(BASE, units=units))
    assert isinstance(made, DutyCycles)
    return made.classes


def test_miles_a_year_and_miles_an_hour_come_from_each_trucks_own_rates() -> None:
    row = _describe(miles_per_day=[100.0], hours_per_day=[4.0]).iloc[0]
    assert row["miles_per_year"] == pytest.approx(36_525.0)
    assert row["miles_per_hour"] == pytest.approx(25.0)


@pytest.mark.parametrize(
    ("miles", "hours", "looks"),
    [
        (300.0, 6.0, "line_haul"),  # 109,575 miles a year at 50 miles an hour
        (300.0, 10.0, "regional"),  # as far, but at 30 miles an hour
        (120.0, 4.0, "regional"),
        (120.0, 8.0, "vocational"),  # 15 miles an hour
        (15.0, np.nan, "vocational"),  # 5,479 miles a year
        (300.0, np.nan, "line_haul"),
    ],
)
def test_a_truck_looks_like_the_class_that_its_miles_and_speed_point_to(miles: float, hours: float, looks: str) -> None:
    assert _describe(miles_per_day=[miles], hours_per_day=[hours])["looks_like"].iloc[0] == looks


def test_a_truck_used_unlike_its_class_is_noted() -> None:
    table = _describe(miles_per_day=[150.0, 160.0, 140.0, 400.0], hours_per_day=[5.0, 5.0, 5.0, 8.0])
    assert table["note"].iloc[:3].isna().all()
    assert table["note"].iloc[3] == "used like line haul; 2.6 times the miles a year of its class"


def test_a_classs_own_name_is_not_held_against_a_truck() -> None:
    assert _describe(miles_per_day=[300.0], duty_cycle=["logging"])["note"].isna().all()


def test_a_truck_hardly_read_yet_is_not_judged() -> None:
    row = _describe(miles_per_day=[300.0], exposure_days=[30.0]).iloc[0]
    assert row["looks_like"] is None
    assert row["note"] == "fewer than 90 days of meters"


def test_a_lives_file_has_no_trucks_to_look_at() -> None:
    assert isinstance(describe_classes(replace(BASE, units=pd.DataFrame())), Unanswered)

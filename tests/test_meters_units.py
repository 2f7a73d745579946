"""Meter values in the wrong unit: kilometres and engine hours in a column of miles."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.command import run_here
from tests.fleet_files import write_folder
from wearlab.history.meters import judge_meters

KM = 1.609344


def judged(values: list[float], step: int = 30) -> tuple[list[float | None], list[str | None]]:
    points = pd.DataFrame(
        {
            "unit_no": 1,
            "day": np.arange(len(values)) * step,
            "value": values,
            "meter_replaced": False,
            "weight": [1.5] + [1.0] * (len(values) - 1),
        }
    )
    made = judge_meters(points, limit_per_day=1_200.0, other_units=True)
    joined = [None if np.isnan(value) else round(value, 3) for value in made["joined"]]
    return joined, list(made["reason"])


RIGHT = [0.0, *(8_000.0 * n for n in range(1, 25))]


@pytest.mark.parametrize("places", [[12], [12, 13], [9, 15, 20], [22, 23, 24], [20, 21, 22, 23, 24]])
def test_kilometres_in_a_column_of_miles_are_put_right(places: list[int]) -> None:
    joined, reasons = judged([value * KM if n in places else value for n, value in enumerate(RIGHT)])
    assert joined == pytest.approx(RIGHT)
    assert [n for n, reason in enumerate(reasons) if reason == "kilometres"] == places
    assert {reason for reason in reasons if reason} == {"kilometres"}


@pytest.mark.parametrize("first", [8, 12, 18, 21])
def test_a_truck_that_changes_to_kilometres_for_good_is_put_right_whichever_stretch_is_longer(first: int) -> None:
    joined, reasons = judged([value * KM if n >= first else value for n, value in enumerate(RIGHT)])
    assert joined == pytest.approx(RIGHT)
    assert reasons[first:] == ["kilometres"] * (25 - first)


def test_a_truck_that_changes_back_to_miles_is_put_right() -> None:
    joined, reasons = judged([value * KM if n < 15 else value for n, value in enumerate(RIGHT)])
    assert joined == pytest.approx(RIGHT)
    assert reasons[15:] == [None] * 10


def test_engine_hours_in_a_column_of_miles_are_named_and_filled_from_around() -> None:
    values = [3_000.0 + 10 * n * 30 if n in {14, 16, 19} else value for n, value in enumerate(RIGHT)]
    joined, reasons = judged(values)
    assert [reasons[n] for n in (14, 16, 19)] == ["engine hours"] * 3
    assert [joined[n] for n in (14, 16, 19)] == [None] * 3
    assert sum(reason is not None for reason in reasons) == 3


def test_a_replaced_meter_a_drop_and_a_typed_digit_are_none_of_these() -> None:
    replaced = [value if n < 12 else value - 95_000.0 for n, value in enumerate(RIGHT)]
    assert judged(replaced)[1][12] == "replaced, not flagged"
    dropped = [value if n != 12 else 50_000.0 for n, value in enumerate(RIGHT)]
    assert judged(dropped)[1][12] == "drop"
    typed = [value if n != 12 else value * 10 for n, value in enumerate(RIGHT)]
    assert judged(typed)[1][12] == "impossible daily rate"


@settings(max_examples=100, deadline=None)
@given(
    base=st.floats(20.0, 500.0),
    shares=st.lists(st.floats(0.6, 1.4), min_size=12, max_size=30),
    wrong=st.sets(st.integers(3, 11), min_size=1, max_size=3),
)
def test_a_right_value_is_never_taken_for_kilometres(base: float, shares: list[float], wrong: set[int]) -> None:
    right = np.concatenate([[0.0], np.cumsum(np.array(shares) * base * 30)])
    values = [value / 7 if n in wrong else value for n, value in enumerate(right)]
    _, reasons = judged(values)
    assert {n for n, reason in enumerate(reasons) if reason == "kilometres"} <= wrong


def test_the_command_lists_old_and_new_values_and_draws_one_truck(tmp_path: Path) -> None:
    written = [value * (KM if n in {12, 13} else 1) for n, value in enumerate(RIGHT)]
    lines = [f"T1,{2019 + n // 12}-{n % 12 + 1:02}-15,{value:.0f}" for n, value in enumerate(written)]
    services = "service_id,unit_id,date,miles,action\nS1,T1,2020-07-30,,regrease\n"
    folder = write_folder(tmp_path / "f", services=services, readings="unit_id,date,miles\n" + "\n".join(lines) + "\n")
    picture = tmp_path / "t1.svg"
    done = run_here("meters", folder, "--unit", "T1", "--picture", picture, "--store", ":memory:", "--json")
    assert done.status == 0, done.err
    rows = done.document()["corrections"]
    assert [(row["reason"], row["filled"]) for row in rows] == [
        ("kilometres", None),
        ("kilometres", None),
        (None, "interpolated"),
    ]
    assert [row["old"] for row in rows][:2] == pytest.approx(written[12:14], abs=1)
    assert rows[2]["old"] is None
    assert [row["new"] for row in rows][:2] == pytest.approx(RIGHT[12:14], abs=1)
    assert picture.read_text().startswith("<svg")
    assert run_here("meters", folder, "--unit", "T9", "--store", ":memory:").status == 2

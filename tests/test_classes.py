"""Whether trucks are used as their duty cycle says."""

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.curve_histories import make_history, make_lives
from tests.fleet_files import write_folder
from wearlab.answers.classes import DutyCycles, describe_classes
from wearlab.evidence import Unanswered
from wearlab.history.config import ClassRule
from wearlab.history.lives import History
from wearlab.history.source import View, read_source
from wearlab.history.store import IN_MEMORY

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
    assert table["note"].iloc[3] == "line-haul by the usual bounds; 2.6 times the miles a year of its class"


def test_a_classs_own_name_is_not_held_against_a_truck() -> None:
    assert _describe(miles_per_day=[300.0], duty_cycle=["logging"])["note"].isna().all()


def test_a_truck_hardly_read_yet_is_not_judged() -> None:
    row = _describe(miles_per_day=[300.0], exposure_days=[30.0]).iloc[0]
    assert row["looks_like"] is None
    assert row["note"] == "fewer than 90 days of meters"


def test_a_lives_file_has_no_trucks_to_look_at() -> None:
    assert isinstance(describe_classes(replace(BASE, units=pd.DataFrame())), Unanswered)


def _fleet(rules: tuple[ClassRule, ...] = ()) -> DutyCycles:
    rng = np.random.default_rng(3)
    line = pd.DataFrame({"duty_cycle": "line_haul", "miles_per_day": rng.normal(300, 25, 40), "speed": 50.0})
    town = pd.DataFrame({"duty_cycle": "vocational", "miles_per_day": rng.normal(50, 8, 40), "speed": 15.0})
    units = pd.concat([line, town], ignore_index=True)
    units["hours_per_day"] = units["miles_per_day"] / (units.pop("speed") + rng.normal(0, 1, 80))
    units["unit_id"] = [f"T{number:02}" for number in range(80)]
    units["exposure_days"] = 900.0
    units.loc[7, "duty_cycle"] = "vocational"  # planted: a line-haul truck in the wrong class
    history = replace(BASE, units=units, as_of=date(2024, 6, 30), config=replace(BASE.config, class_rules=rules))
    made = describe_classes(history)
    assert isinstance(made, DutyCycles)
    return made


def test_a_truck_in_the_wrong_class_is_found_by_its_use_alone() -> None:
    made = _fleet()
    assert list(made.misclassed["unit_id"]) == ["T07"]
    assert made.classes.loc[7, "used_like"] == "line_haul"
    assert made.classes["own_class_likely"].drop(index=7).gt(0.9).all()
    assert "another class" in " ".join(caution.text for caution in made.cautions)


def test_the_first_rule_that_fits_counts_and_proposes_a_change_from_that_day_on() -> None:
    rules = (
        ClassRule("severe", miles_per_year_up_to=15_000.0, miles_per_hour_up_to=16.0),
        ClassRule("vocational", miles_per_hour_up_to=20.0),
        ClassRule("line_haul", miles_per_year_over=60_000.0, share_unpaved_up_to=0.5),
    )
    made = _fleet(rules)
    assert set(made.classes["by_rule"].dropna()) <= {"severe", "vocational"}  # no truck says how much is unpaved
    changes = made.duty_changes
    assert set(changes["duty_cycle"]) == {"severe"}
    assert set(changes["date"]) == {date(2024, 6, 30)}
    assert set(changes["rule"]) == {1}
    assert list(changes.columns[:3]) == ["unit_id", "date", "duty_cycle"]
    assert "duty_changes" in made.tables()
    assert "duty_changes" not in _fleet().tables()


def test_few_trucks_or_one_class_are_not_told_by_use() -> None:
    row = _describe(miles_per_day=[100.0, 90.0, 300.0], hours_per_day=[4.0, 4.0, 6.0])
    assert row["own_class_likely"].isna().all()
    assert row["used_like"].isna().all()


def test_a_proposed_change_put_into_the_folder_splits_the_exposure_and_leaves_the_past(tmp_path: Path) -> None:
    readings = "unit_id,date,miles\nT1,2019-07-01,4000\nT1,2020-01-01,8000\nT1,2021-01-01,16000\nT1,2022-01-01,24000\n"
    services = "service_id,unit_id,date,miles,action\nS1,T1,2020-01-01,8000,regrease\n"
    rule = '\n[[class_rules]]\nduty_cycle = "severe"\nmiles_per_year_up_to = 10000\n'
    toml = "records_from = 2019-01-01\nas_of = {}\nmax_set_aside_share = 1.0\n" + rule
    folder = write_folder(tmp_path / "f", toml.format("2021-01-01"), readings=readings, services=services)

    def seen(day: str) -> tuple[History, DutyCycles]:
        (folder / "fleet.toml").write_text(toml.format(day))
        view = View(None, None, 0.9, date(2026, 11, 24), unknown_as_failure=False)
        history, _ = read_source(folder, view, store_path=IN_MEMORY, progress=lambda _: None)
        made = describe_classes(history)
        assert isinstance(made, DutyCycles)
        return history, made

    before, made = seen("2021-01-01")
    assert list(made.duty_changes["unit_id"]) == ["T1"]
    made.duty_changes.to_csv(folder / "duty_changes.csv", index=False)
    after, _ = seen("2022-01-01")
    exposure = after.groups.set_index(["component", "duty_cycle"])["exposure"]
    earlier = before.groups.set_index(["component", "duty_cycle"])["exposure"]
    assert exposure["joint", "line_haul"] == pytest.approx(earlier["joint", "line_haul"])
    assert exposure["joint", "severe"] == pytest.approx(2 * 8000.0)

"""The whole road on a handful of literal rows: a fleet folder in, lives out, through the command line."""

from datetime import date, timedelta
from pathlib import Path

import pandas as pd
import pytest

from tests.command import run_wearlab
from wearlab.history.lives import History
from wearlab.history.source import View, read_source

START = date(2019, 1, 1)
RECORDS_FROM = date(2020, 1, 1)
AS_OF = date(2022, 12, 31)
MILES_A_DAY = 100

FLEET_TOML = """
records_from = 2020-01-01
as_of = 2022-12-31
[costs]
regrease_stop = 40
joint = { planned = 300, failure = 2000 }
"""
POSITIONS = [("main.joint.1", "joint"), ("main.joint.2", "joint"), ("main.boot", "boot"), ("main.slip", "slip_spline")]


def miles_on(day: date) -> int:
    """What the truck's meter shows: 100 miles a day since it went into service."""
    return (day - START).days * MILES_A_DAY


def write_fleet(folder: Path, services: list[str], *, toml: str = FLEET_TOML, units: str | None = None) -> Path:
    """Write one truck with monthly readings and the given service rows."""
    folder.mkdir(exist_ok=True)
    (folder / "fleet.toml").write_text(toml, encoding="utf-8")
    (folder / "units.csv").write_text(
        units or f"unit_id,duty_cycle,in_service_date,home_shop\nT1,line_haul,{START},north\n", encoding="utf-8"
    )
    (folder / "positions.csv").write_text(
        "unit_id,position,component\n" + "".join(f"T1,{name},{component}\n" for name, component in POSITIONS),
        encoding="utf-8",
    )
    header = "service_id,unit_id,date,miles,position,component,action,reason,found_at,lot,shop\n"
    (folder / "services.csv").write_text(header + "".join(f"{row}\n" for row in services), encoding="utf-8")
    days = [START + timedelta(days=30 * step) for step in range(49)]
    days = [*(day for day in days if day < AS_OF), AS_OF]
    (folder / "readings.csv").write_text(
        "unit_id,date,miles\n" + "".join(f"T1,{day},{miles_on(day)}\n" for day in days), encoding="utf-8"
    )
    return folder


def service(number: int, day: date, position: str, action: str, **more: str) -> str:
    """One row of services."""
    values = {"component": "", "reason": "", "found_at": "", "lot": "", "shop": "north", "miles": str(miles_on(day))}
    values.update(more)
    return (
        f"S{number},T1,{day},{values['miles']},{position},{values['component']},{action},{values['reason']},"
        f"{values['found_at']},{values['lot']},{values['shop']}"
    )


def read(folder: Path, *, scale: str = "miles", as_of: date | None = None, unknown: bool = False) -> History:
    """The lives of a folder, nothing kept."""
    view = View(as_of=as_of, scale=scale, level=0.9, today=date(2026, 1, 1), unknown_as_failure=unknown)
    history, _ = read_source(folder, view, store_path=":memory:", progress=lambda _: None)
    return history


def lives_at(history: History, position: str) -> pd.DataFrame:
    """The lives of one position, in order."""
    return history.lives[history.lives["position"] == position].sort_values("life_number").reset_index(drop=True)


def test_a_position_without_any_service_has_a_life_that_entered_late(tmp_path: Path) -> None:
    history = read(write_fleet(tmp_path / "f", []))
    assert len(history.lives) == len(POSITIONS)
    life = lives_at(history, "main.boot").iloc[0]
    assert life["entry"] == pytest.approx(miles_on(RECORDS_FROM), abs=1e-6)
    assert life["exit"] == pytest.approx(miles_on(AS_OF))
    assert not life["failed"]
    assert life["ending"] == "running"


def test_lives_follow_one_another_and_end_as_their_order_says(tmp_path: Path) -> None:
    first, second, third = date(2020, 6, 1), date(2021, 3, 1), date(2022, 2, 1)
    history = read(
        write_fleet(
            tmp_path / "f",
            [
                service(1, first, "main.joint.1", "replace", reason="failure", lot="L7", shop="south"),
                service(2, first, "main.joint.2", "replace", reason="with_mate"),
                service(3, second, "main.joint.1", "replace", reason="unknown"),
                service(4, third, "main.joint.1", "replace", reason="planned"),
            ],
        )
    )
    lives = lives_at(history, "main.joint.1")
    assert list(lives["failed"]) == [True, False, False, False]
    assert list(lives["ending"]) == ["failure", "unknown", "planned", "running"]
    assert list(lives["entry"].round(6)) == [miles_on(RECORDS_FROM), 0, 0, 0]
    expected = [miles_on(first), miles_on(second) - miles_on(first), miles_on(third) - miles_on(second)]
    assert list(lives["exit"].round(6)) == [*expected, miles_on(AS_OF) - miles_on(third)]
    assert list(lives_at(history, "main.joint.2")["ending"]) == ["with_mate", "running"]
    assert lives["lot"].tolist() == [None, "L7", None, None]
    assert lives["shop"].tolist() == [None, "south", "north", "north"]
    assert lives["home_shop"].tolist() == ["north"] * 4
    group = history.groups.set_index("component").loc["joint"]
    assert group["lives"] == 6
    assert group["failures"] == 1
    assert group["unknown_endings"] == 1


def test_unknown_endings_read_as_failures_on_request(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "f", [service(1, date(2021, 3, 1), "main.joint.1", "replace", reason="unknown")])
    assert read(folder).lives["failed"].sum() == 0
    assert read(folder, unknown=True).lives["failed"].sum() == 1


def test_a_failure_found_at_inspection_lies_after_the_last_look_that_found_the_part_good(tmp_path: Path) -> None:
    look, grease, found = date(2020, 5, 1), date(2020, 8, 1), date(2020, 11, 1)
    history = read(
        write_fleet(
            tmp_path / "f",
            [
                service(1, look, "", "inspect"),
                service(2, grease, "", "regrease"),
                service(3, found, "main.joint.1", "replace", reason="failure", found_at="inspection"),
                service(4, found, "main.slip", "replace", reason="failure", found_at="breakdown"),
            ],
        )
    )
    joint, slip = lives_at(history, "main.joint.1").iloc[0], lives_at(history, "main.slip").iloc[0]
    assert (joint["lower"], joint["upper"]) == (miles_on(grease), miles_on(found))
    assert pd.isna(slip["lower"])
    assert pd.isna(slip["upper"])
    assert slip["exit"] == miles_on(found)


def test_two_orders_within_a_few_days_and_miles_are_one_event(tmp_path: Path) -> None:
    day = date(2021, 3, 1)
    rows = [
        service(1, day, "main.joint.1", "replace", reason="failure"),
        service(2, day + timedelta(days=4), "main.joint.1", "replace", reason="unknown"),
    ]
    merged = lives_at(read(write_fleet(tmp_path / "a", rows)), "main.joint.1")
    assert list(merged["ending"]) == ["failure", "running"]
    apart = read(write_fleet(tmp_path / "b", rows, toml="same_event_days = 0\n" + FLEET_TOML))
    assert list(lives_at(apart, "main.joint.1")["ending"]) == ["failure", "unknown", "running"]


def test_a_replacement_without_position_is_never_given_to_the_first(tmp_path: Path) -> None:
    day = date(2021, 3, 1)
    history = read(write_fleet(tmp_path / "f", [service(1, day, "", "replace", component="joint", reason="failure")]))
    joints = history.lives[history.lives["component"] == "joint"]
    assert not joints["failed"].any()
    assert (joints["exit"] <= miles_on(day)).all()
    assert history.groups.set_index("component").loc["joint", "position_unknown"] > 0
    single = read(write_fleet(tmp_path / "g", [service(1, day, "", "replace", component="boot", reason="failure")]))
    assert list(lives_at(single, "main.boot")["failed"]) == [True, False]


def test_the_scale_may_be_days_and_the_store_looks_back_from_an_earlier_day(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "f", [service(1, date(2021, 3, 1), "main.joint.1", "replace", reason="failure")])
    days = lives_at(read(folder, scale="days"), "main.joint.1")
    assert days["exit"].iloc[0] == (date(2021, 3, 1) - START).days
    earlier = lives_at(read(folder, as_of=date(2020, 12, 26)), "main.joint.1")
    assert len(earlier) == 1
    assert not earlier["failed"].iloc[0]
    assert earlier["exit"].iloc[0] <= miles_on(date(2020, 12, 26))


def test_kilometres_give_the_same_lives(tmp_path: Path) -> None:
    row = service(1, date(2021, 3, 1), "main.joint.1", "replace", reason="failure")
    miles = read(write_fleet(tmp_path / "mi", [row])).lives
    folder = write_fleet(tmp_path / "km", [row], toml='distance = "km"\n' + FLEET_TOML)
    for name in ("services.csv", "readings.csv"):
        frame = pd.read_csv(folder / name, dtype=str, keep_default_na=False)
        frame["miles"] = [f"{float(value) * 1.609344:.4f}" for value in frame["miles"]]
        frame.to_csv(folder / name, index=False)
    assert list(read(folder).lives["exit"]) == pytest.approx(list(miles["exit"]), rel=1e-6)


def test_every_row_is_accounted_for_and_loading_twice_changes_nothing(tmp_path: Path) -> None:
    folder = write_fleet(
        tmp_path / "f",
        [
            service(1, date(2021, 3, 1), "main.joint.1", "replace", reason="failure"),
            service(1, date(2021, 3, 1), "main.joint.1", "replace", reason="failure"),
            service(2, date(2021, 4, 1), "main.joint.9", "replace", reason="failure"),
            service(3, date(2031, 4, 1), "main.joint.1", "replace", reason="failure"),
            service(4, date(2021, 5, 1), "main.joint.1", "replace", reason="worn"),
            service(5, date(2021, 5, 1), "main.joint.1", "regrease", miles="12x"),
        ],
        toml="max_set_aside_share = 0.9\n" + FLEET_TOML,
    )
    first = run_wearlab("load", folder, "--json").document()
    rows = {row["table"]: row for row in first["tables"]}
    assert rows["services"]["rows_read"] == 6
    assert rows["services"]["rows_loaded"] == 1
    assert rows["services"]["rows_already_loaded"] == 1
    assert rows["services"]["rows_set_aside"] == 4
    places = {(row["line"], row["column"]) for row in first["set_aside"] if row["table"] == "services"}
    assert places == {(4, "position"), (5, "date"), (6, "reason"), (7, "miles")}
    again = run_wearlab("load", folder, "--json").document()
    for row in again["tables"]:
        assert row["rows_loaded"] == 0
        assert row["rows_read"] == row["rows_set_aside"] + row["rows_already_loaded"]
        assert row["rows_read"] == rows[row["table"]]["rows_read"]


def test_a_load_that_sets_too_much_aside_is_refused_and_the_store_unchanged(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "f", [service(1, date(2031, 3, 1), "main.joint.1", "replace", reason="failure")])
    ran = run_wearlab("load", folder)
    assert ran.status == 2
    assert "max_set_aside_share" in ran.err

"""What takes part in a history, and what it carries beside the ages: factors, scales, description."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from typing import Any

import pandas as pd
import pytest

from tests.fleet_rows import CONFIG, changed, empty_store, ends, history, monthly, place, reading, service, truck
from wearlab.evidence import DataError
from wearlab.history.config import FleetConfig
from wearlab.history.store import Store


@pytest.fixture(scope="module")
def store() -> Iterator[Store]:
    with empty_store() as opened:
        yield opened


# What takes part


def test_of_two_rows_with_one_service_id_the_latest_update_wins(store: Store) -> None:
    old = changed("2020-04-10", miles=10_000.0, updated_at=date(2020, 4, 11))
    new = {**old, "reason": "planned", "updated_at": date(2020, 5, 1)}
    undated = {**old, "reason": "campaign", "updated_at": None}
    assert ends(history(store, rows={"services": [new, old, undated]}))[0][3] == "planned"


def test_what_is_dated_after_as_of_does_not_take_part(store: Store) -> None:
    rows = {"services": [changed("2020-04-10", miles=10_000.0), changed("2020-07-19", miles=20_000.0)],
            "units": [truck(out_of_service_date=date(2021, 6, 1))]}  # fmt: skip
    made = history(store, rows=rows, as_of=date(2020, 7, 18))
    assert ends(made) == [(0, 10_000, True, "failure"), (0, 0, False, "running")]
    assert made.as_of == date(2020, 7, 18)


def test_known_then_leaves_out_what_was_posted_later(store: Store) -> None:
    late = changed("2020-04-10", miles=10_000.0, posted_date=date(2020, 8, 1))
    rows = {"services": [late], "readings": [reading("2020-06-09", 16_000.0)]}
    assert ends(history(store, rows=rows, as_of=date(2020, 7, 1))) == [
        (0, 10_000, True, "failure"),
        (0, 6_000, False, "running"),
    ]
    made = history(store, rows=rows, as_of=date(2020, 7, 1), known_then=True)
    assert ends(made) == [(0, 16_000, False, "running")]
    assert "service" not in made.meters["origin"].tolist()


def test_known_then_takes_the_version_of_an_order_that_stood_then(store: Store) -> None:
    old = changed("2020-04-10", miles=10_000.0, updated_at=date(2020, 4, 11))
    new = {**old, "reason": "planned", "updated_at": date(2020, 9, 1)}
    rows = {"services": [old, new], "readings": [reading("2020-06-09", 16_000.0)]}
    assert ends(history(store, rows=rows, as_of=date(2020, 7, 1)))[0][3] == "planned"
    assert ends(history(store, rows=rows, as_of=date(2020, 7, 1), known_then=True))[0][3] == "failure"


def test_a_position_row_about_a_part_fitted_later_does_not_hide_the_one_before(store: Store) -> None:
    rows = {"positions": [place(hardware="greaseable"), place(hardware="sealed", installed_date=date(2021, 3, 1))],
            "readings": [reading("2020-06-09", 16_000.0), reading("2021-12-31", 73_000.0)]}  # fmt: skip
    assert history(store, rows=rows, as_of=date(2020, 12, 31)).lives["hardware"].tolist() == ["greaseable"]
    assert history(store, rows=rows).lives["hardware"].tolist() == ["sealed"]


def test_a_truck_without_a_listed_position_is_reported(store: Store) -> None:
    made = history(store, rows={"units": [truck(), truck("T2")]})
    assert len(made.lives) == 1
    assert any("no position is listed" in caution.text for caution in made.cautions)


def test_a_truck_of_which_nothing_was_heard_for_a_year_is_reported(store: Store) -> None:
    made = history(store, rows={}, as_of=date(2023, 1, 1))
    assert "trucks-silent" in {caution.code for caution in made.cautions}
    assert "trucks-silent" not in {caution.code for caution in history(store, rows={}).cautions}


def test_as_of_is_that_of_the_fleet_or_else_the_last_date_seen_up_to_today(store: Store) -> None:
    rows = {"readings": [reading("2020-06-09", 16_000.0), reading("2021-06-09", 50_000.0)]}
    assert history(store, rows=rows, today=date(2021, 1, 1)).as_of == date(2020, 6, 9)
    fixed = replace(CONFIG, as_of=date(2020, 12, 31))
    assert history(store, config=fixed, rows=rows).as_of == date(2020, 12, 31)


@pytest.mark.parametrize(
    ("options", "config", "code"),
    [
        ({"as_of": date(2019, 12, 31)}, CONFIG, "as-of-before-records"),
        ({"as_of": date(2040, 1, 1)}, CONFIG, "as-of-in-future"),
        ({"scale": "furlongs"}, CONFIG, "scale-unknown"),
        ({}, FleetConfig(), "records-from-missing"),
    ],
)
def test_what_cannot_be_built_is_refused_in_words(store: Store, options: Any, config: FleetConfig, code: str) -> None:
    with pytest.raises(DataError) as refused:
        history(store, config=config, rows={}, **options)
    assert refused.value.code == code


def test_an_empty_store_is_refused(store: Store) -> None:
    with pytest.raises(DataError, match="no rows"):
        history(store, rows={"units": [], "positions": [], "readings": []})


def test_the_order_of_rows_does_not_matter(store: Store) -> None:
    services = [*monthly([0.0, 3_000.0, 6_000.0, 9_000.0]), changed("2020-04-10"), changed("2020-04-10", "j2"),
                service("replace", "2020-08-10", None, component="joint", reason="failure")]  # fmt: skip
    rows = {"positions": [place(), place("j2")], "services": services,
            "readings": [reading("2020-06-01", 15_000.0), reading("2020-07-01", 1_000.0),
                         reading("2021-01-01", 36_000.0)]}  # fmt: skip
    made = history(store, rows=rows)
    turned = history(store, rows={table: list(reversed(part)) for table, part in rows.items()})
    for table in ("lives", "episodes", "gaps", "stops", "units", "left_out", "groups", "meters"):
        pd.testing.assert_frame_equal(getattr(made, table), getattr(turned, table))


# Rule 6: factors


def test_factors_are_what_was_known_at_fitting_and_never_of_the_order_that_ended_the_life(store: Store) -> None:
    first = changed("2020-04-10", lot="L7", shop="north", crew="2", grease_grade="EP2", failure_mode="burned",
                    note="x", parts_cost=90.0, attributes={"clamp_tool": "B"})  # fmt: skip
    second = changed("2020-09-10", lot="L9", shop="south", attributes={"clamp_tool": "C"})
    rows = {"units": [truck(attributes={"home_shop": "east", "model_year": "2019"})],
            "positions": [place(lot="L1", attributes={"yoke": "half_round"})],
            "services": [first, second]}  # fmt: skip
    made = history(store, rows=rows)
    assert made.factors == ("home_shop", "model_year", "yoke", "crew", "grease_grade", "lot", "shop", "clamp_tool")
    assert made.lives[["lot", "shop", "clamp_tool", "crew"]].to_numpy().tolist() == [
        ["L1", None, None, None],
        ["L7", "north", "B", "2"],
        ["L9", "south", "C", None],
    ]
    assert made.lives["mode"].tolist() == ["burned", None, None]
    assert made.lives["end_cost"].iloc[0] == 90.0
    assert set(made.lives["home_shop"]) == {"east"}
    assert set(made.lives["yoke"]) == {"half_round"}


def test_an_attribute_that_bears_a_taken_name_gets_its_origin_before_it(store: Store) -> None:
    rows = {"units": [truck(attributes={"shop": "east", "mode": "night"})],
            "services": [changed("2020-04-10", shop="north")]}  # fmt: skip
    made = history(store, rows=rows)
    assert made.factors == ("unit_mode", "shop", "fitted_shop")
    assert made.lives["fitted_shop"].tolist() == [None, "north"]
    assert set(made.lives["shop"]) == {"east"}


# Rule 8: every scale


@pytest.mark.parametrize(
    ("scale", "expected"), [("miles", 73_000.0), ("days", 730.0), ("engine_hours", 1_460.0), ("joint_cycles", 1.46e8)]
)
def test_every_scale_is_carried_whichever_is_fitted(store: Store, scale: str, expected: float) -> None:
    rows = {"units": [truck(axle_ratio=4.0, tire_turns_per_mile=500.0)],
            "readings": [reading("2021-12-31", 73_000.0, engine_hours=1_460.0)]}  # fmt: skip
    made = history(store, rows=rows, scale=scale)
    life = made.lives.iloc[0]
    assert life["exit"] == expected
    assert (life["exit_miles"], life["exit_days"], life["exit_hours"], life["exit_cycles"]) == (
        73_000.0,
        730.0,
        1_460.0,
        1.46e8,
    )


def test_a_truck_without_a_meter_for_the_scale_has_lives_that_are_counted_and_never_fitted(store: Store) -> None:
    made = history(store, rows={"services": [changed("2020-04-10")]}, scale="engine_hours")
    assert made.lives["fittable"].tolist() == [False, False]
    assert made.lives["exit"].isna().all()
    assert made.left_out[["reason", "lives"]].to_numpy().tolist() == [["no_meter", 2]]
    assert made.groups["failures"].tolist() == [1]


def test_days_of_a_truck_without_readings_run_to_as_of_and_of_others_to_its_last_row(store: Store) -> None:
    rows = {"units": [truck(), truck("T2")], "positions": [place(), place(unit_id="T2")],
            "readings": [reading("2020-06-29", 18_000.0)]}  # fmt: skip
    made = history(store, rows=rows, scale="days", as_of=date(2020, 12, 31))
    assert made.lives["exit"].tolist() == [180.0, 365.0]


# Description and the other tables


def test_what_was_done_to_a_part_describes_it(store: Store) -> None:
    services = [service("regrease", "2020-02-01", miles=3_000.0, cups_purged=4),
                service("regrease", "2020-03-01", miles=8_000.0, cups_purged=2),
                service("inspect", "2020-04-01", miles=9_500.0), changed("2020-04-10", miles=10_000.0)]  # fmt: skip
    life = history(store, rows={"services": services}).lives.iloc[0]
    assert (life["regreases"], life["longest_gap_miles"], life["cups_purged_mean"]) == (2, 5_000.0, 3.0)
    assert (life["days_since_service"], life["miles_since_service"]) == (9.0, 500.0)


def test_a_look_on_the_last_day_of_a_running_part_is_its_last_service(store: Store) -> None:
    life = history(store, rows={"services": [service("inspect", "2021-12-31", miles=73_000.0)]}).lives.iloc[0]
    assert (life["days_since_service"], life["miles_since_service"]) == (0.0, 0.0)


def test_a_part_that_no_regrease_reaches_is_not_described_by_them(store: Store) -> None:
    rows = {"positions": [place(hardware="sealed"), place("b1", "boot")], "services": monthly([0.0, 3_000.0])}
    assert history(store, rows=rows).lives["regreases"].isna().all()


def test_a_measurement_belongs_to_the_part_in_place_and_on_the_day_of_a_change_to_the_old_one(store: Store) -> None:
    seen = [{"unit_id": "T1", "position": "j1", "date": date(2020, month, 10), "quantity": "joint_play", "value": 0.1,
             "unit": "mm"} for month in (2, 4, 5)]  # fmt: skip
    rows = {"services": [changed("2020-04-10", miles=10_000.0)], "measurements": seen}
    measured = history(store, rows=rows).measurements
    assert measured["life_id"].tolist() == [1, 1, 2]
    assert measured["age_miles"].iloc[1] == 10_000.0
    assert measured["component"].tolist() == ["joint"] * 3


def test_a_truck_row_says_where_it_stands(store: Store) -> None:
    rows = {"units": [truck(attributes={"home_shop": "east"})], "readings": [reading("2021-12-31", 73_000.0)]}
    unit = history(store, rows=rows).units.iloc[0]
    assert (unit["last_miles"], unit["miles_per_day"], unit["shop"], unit["in_service"]) == (73_000, 100, "east", True)
    assert (unit["exposure_miles"], unit["exposure_days"]) == (73_000, 730)

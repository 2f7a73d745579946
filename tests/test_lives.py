"""Service history to lives: where a life begins and ends, on a handful of literal rows."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest

from tests.fleet_rows import (
    CONFIG,
    NEW,
    changed,
    empty_store,
    ends,
    history,
    place,
    reading,
    service,
    truck,
)
from wearlab.history.lives import History
from wearlab.history.store import Store


@pytest.fixture(scope="module")
def store() -> Iterator[Store]:
    with empty_store() as opened:
        yield opened


# Rule 1: one life after the other


def test_lives_at_one_position_follow_one_another_from_fitting_to_the_last_meter(store: Store) -> None:
    rows = {
        "services": [changed("2020-04-10", miles=10_000.0), changed("2020-07-19", miles=25_000.0, reason="planned")]
    }
    made = history(store, rows=rows)
    assert ends(made) == [(0, 10_000, True, "failure"), (0, 15_000, False, "planned"), (0, 48_000, False, "running")]
    assert made.lives["life_number"].tolist() == [1, 2, 3]
    assert made.lives["start_meter_miles"].tolist() == [0, 10_000, 25_000]


def test_a_position_without_any_service_still_has_a_life(store: Store) -> None:
    made = history(store, rows={"positions": [place("j1"), place("j2")]})
    assert ends(made, "j2") == [(0, 73_000, False, "running")]


def test_the_first_life_starts_where_the_position_says_it_was_installed(store: Store) -> None:
    rows = {"positions": [place(installed_date=date(2020, 4, 10), installed_miles=9_000.0)]}
    assert ends(history(store, rows=rows)) == [(0, 64_000, False, "running")]


def test_installed_miles_that_the_meter_contradicts_are_not_believed(store: Store) -> None:
    rows = {"positions": [place(installed_date=date(2020, 4, 10), installed_miles=90_000.0)],
            "readings": [reading("2020-04-10", 10_000.0), reading("2021-12-31", 73_000.0)]}  # fmt: skip
    made = history(store, rows=rows)
    assert ends(made) == [(0, 63_000, False, "running")]
    assert "rows-without-a-life" in {caution.code for caution in made.cautions}


def test_installed_miles_are_read_on_the_meter_of_that_day(store: Store) -> None:
    rows = {"positions": [place(installed_date=date(2021, 4, 10), installed_miles=10_000.0)],
            "readings": [reading("2020-12-31", 36_500.0), reading("2020-12-31", 0.0, meter_replaced=True),
                         reading("2021-12-31", 36_500.0)]}  # fmt: skip
    assert ends(history(store, rows=rows)) == [(0, 26_500, False, "running")]


# Rule 2: failures and suspensions


def test_a_replacement_after_the_last_reading_carries_the_truck_on_to_that_day(store: Store) -> None:
    rows = {"positions": [place(), place("j2")], "services": [changed("2022-01-20")]}
    made = history(store, rows=rows)
    assert ends(made, "j1") == [(0, 75_000, True, "failure"), (0, 0, False, "running")]
    assert ends(made, "j2") == [(0, 75_000, False, "running")]


@pytest.mark.parametrize("reason", ["planned", "with_mate", "campaign", "unknown"])
def test_only_the_reason_failure_is_a_failure(store: Store, reason: str) -> None:
    made = history(store, rows={"services": [changed("2020-04-10", miles=10_000.0, reason=reason)]})
    assert ends(made)[0] == (0, 10_000, False, reason)


def test_unknown_endings_are_counted_and_one_switch_reads_them_as_failures(store: Store) -> None:
    rows = {"services": [changed("2020-04-10", reason="unknown"), changed("2020-09-10", reason=None)]}
    as_suspensions, as_failures = history(store, rows=rows), history(store, rows=rows, unknown_as_failure=True)
    assert as_suspensions.lives["failed"].sum() == 0
    assert as_failures.lives["failed"].sum() == 2
    assert as_failures.lives["ending"].tolist()[:2] == ["failure", "failure"]
    for made in (as_suspensions, as_failures):
        assert made.groups["unknown_endings"].tolist() == [2]
        assert "unknown-endings" in {caution.code for caution in made.cautions}


def test_a_truck_out_of_service_ends_its_lives_there_and_what_is_dated_later_does_not_count(store: Store) -> None:
    rows = {"units": [truck(out_of_service_date=date(2020, 12, 31))], "services": [changed("2021-03-01")],
            "readings": [reading("2020-12-31", 36_500.0), reading("2021-12-31", 73_000.0)]}  # fmt: skip
    made = history(store, rows=rows)
    assert ends(made) == [(0, 36_500, False, "out_of_service")]
    assert not made.lives["running"].any()


def test_a_life_is_counted_in_the_class_at_its_end_and_its_exposure_in_the_class_where_it_ran(store: Store) -> None:
    change = {"unit_id": "T1", "date": date(2020, 12, 31), "duty_cycle": "vocational"}
    rows = {"duty_changes": [change], "readings": [reading("2020-12-31", 36_500.0), reading("2021-12-31", 73_000.0)],
            "services": [changed("2021-12-31", miles=73_000.0)]}  # fmt: skip
    made = history(store, rows=rows)
    assert made.lives["duty_cycle"].tolist() == ["vocational", "vocational"]
    groups = made.groups.set_index("duty_cycle")
    assert groups["lives"].to_dict() == {"line_haul": 0, "vocational": 2}
    assert groups["exposure"].to_dict() == {"line_haul": 36_500.0, "vocational": 36_500.0}
    assert made.episodes[["duty_cycle", "entry", "exit", "failed"]].to_numpy().tolist() == [
        ["line_haul", 0.0, 36_500.0, False],
        ["vocational", 36_500.0, 73_000.0, True],
    ]


def test_a_life_that_ended_before_a_change_gives_no_exposure_to_the_class_after_it(store: Store) -> None:
    change = {"unit_id": "T1", "date": date(2020, 12, 31), "duty_cycle": "vocational"}
    rows = {"duty_changes": [change], "services": [changed("2020-04-10", miles=10_000.0)],
            "readings": [reading("2020-12-31", 36_500.0), reading("2021-12-31", 73_000.0)]}  # fmt: skip
    groups = history(store, rows=rows).groups.set_index("duty_cycle")
    assert groups["exposure"].to_dict() == {"line_haul": 36_500.0, "vocational": 36_500.0}
    assert groups["lives"].to_dict() == {"line_haul": 1, "vocational": 1}


def test_a_change_on_the_first_day_goes_before_the_own_class_and_the_later_of_two_rows_wins(
    store: Store,
) -> None:
    change = {"unit_id": "T1", "date": NEW, "duty_cycle": "vocational"}
    assert history(store, rows={"duty_changes": [change]}).lives["duty_cycle"].tolist() == ["vocational"]
    two = [change, {**change, "duty_cycle": "regional"}]
    assert history(store, rows={"duty_changes": two}).lives["duty_cycle"].tolist() == ["regional"]


# Rule 3: delayed entry


def test_a_part_in_place_when_the_record_begins_enters_at_its_age_of_that_day(store: Store) -> None:
    rows = {"units": [truck(in_service_date=date(2019, 1, 1))],
            "readings": [reading("2020-01-01", 40_000.0), reading("2021-12-31", 113_000.0)],
            "services": [changed("2020-04-10", miles=50_000.0)]}  # fmt: skip
    made = history(store, rows=rows)
    assert ends(made) == [(40_000, 50_000, True, "failure"), (0, 63_000, False, "running")]
    assert made.groups["entered_late"].tolist() == [1]
    assert made.lives["entry_days"].tolist() == [365.0, 0.0]


def test_the_age_at_the_beginning_of_the_record_is_interpolated_between_meters(store: Store) -> None:
    rows = {"units": [truck(in_service_date=date(2019, 12, 22))], "readings": [reading("2020-01-11", 2_000.0)]}
    assert ends(history(store, rows=rows)) == [(1_000, 2_000, False, "running")]


def test_a_part_replaced_before_the_record_is_not_a_life_but_starts_the_age_of_the_next(store: Store) -> None:
    rows = {"units": [truck(in_service_date=date(2019, 1, 1))],
            "readings": [reading("2020-01-01", 40_000.0), reading("2021-12-31", 113_000.0)],
            "services": [changed("2019-07-01", miles=20_000.0)]}  # fmt: skip
    made = history(store, rows=rows)
    assert ends(made) == [(20_000, 93_000, False, "running")]
    assert made.basis.failures == 0


def test_a_part_replaced_on_the_first_day_of_the_record_has_no_exposure_and_is_never_fitted(store: Store) -> None:
    rows = {"units": [truck(in_service_date=date(2019, 1, 1))],
            "readings": [reading("2020-01-01", 40_000.0), reading("2021-12-31", 113_000.0)],
            "services": [changed("2020-01-01", miles=40_000.0)]}  # fmt: skip
    made = history(store, rows=rows)
    assert ends(made) == [(40_000, 40_000, True, "failure"), (0, 73_000, False, "running")]
    assert made.lives["fittable"].tolist() == [False, True]
    assert made.episodes["life_id"].tolist() == [2]


# Rule 4: age not known


def test_a_part_of_unknown_age_is_left_out_up_to_its_next_replacement_and_counted(store: Store) -> None:
    rows = {"positions": [place(age_known=False), place("j2")], "services": [changed("2020-04-10", miles=10_000.0)]}
    made = history(store, rows=rows)
    assert ends(made) == [(0, 63_000, False, "running")]
    assert made.groups["age_unknown"].tolist() == [1]
    assert made.left_out[["position", "reason", "lives"]].to_numpy().tolist() == [["j1", "age_unknown", 1]]
    assert made.lives["life_number"].tolist() == [2, 1]


# Rule 5: found at inspection


def bounds(history: History) -> tuple[float, float, float]:
    life = history.lives.loc[history.lives["failed"]].iloc[0]
    return life["lower"], life["upper"], life["exit"]


def found(day: str, miles: float, **more: Any) -> dict[str, Any]:
    return changed(day, miles=miles, found_at="inspection", **more)


def test_a_failure_found_at_inspection_lies_after_the_last_look_that_covered_the_position(store: Store) -> None:
    looks = [service("inspect", "2020-02-01", "j1", miles=3_000.0), service("regrease", "2020-03-01", miles=6_000.0),
             service("inspect", "2020-03-20", "j2", miles=8_000.0)]  # fmt: skip
    rows = {"positions": [place(), place("j2")], "services": [*looks, found("2020-04-10", 10_000.0)]}
    assert bounds(history(store, rows=rows)) == (6_000.0, 10_000.0, 10_000.0)


def test_the_look_that_found_the_failure_is_not_a_look_that_found_it_good(store: Store) -> None:
    looks = [service("inspect", "2020-02-01", miles=3_000.0), service("inspect", "2020-04-10", miles=10_000.0)]
    assert bounds(history(store, rows={"services": [*looks, found("2020-04-10", 10_000.0)]}))[0] == 3_000.0


def test_without_a_look_the_failure_lies_after_the_entry(store: Store) -> None:
    rows = {"units": [truck(in_service_date=date(2019, 1, 1))],
            "readings": [reading("2020-01-01", 40_000.0), reading("2021-12-31", 113_000.0)],
            "services": [service("inspect", "2019-06-01", miles=15_000.0), found("2020-04-10", 50_000.0)]}  # fmt: skip
    assert bounds(history(store, rows=rows))[:2] == (40_000.0, 50_000.0)


def test_a_breakdown_and_a_failure_with_nothing_between_are_exact(store: Store) -> None:
    rows = {"services": [changed("2020-04-10", miles=10_000.0, found_at="breakdown")]}
    assert np.isnan(bounds(history(store, rows=rows))[:2]).all()
    looks = [service("inspect", "2020-04-09", miles=10_000.0)]
    assert np.isnan(bounds(history(store, rows={"services": [*looks, found("2020-04-10", 10_000.0)]}))[:2]).all()


def test_an_interval_is_kept_whole_in_one_episode(store: Store) -> None:
    stops = [service("regrease", f"2020-{month:02}-01", miles=3_000.0 * month) for month in range(2, 8)]
    change = {"unit_id": "T1", "date": date(2020, 7, 15), "duty_cycle": "vocational"}
    rows = {"services": [*stops, found("2020-08-01", 24_000.0)], "duty_changes": [change]}
    episodes = history(store, rows=rows).episodes
    episodes = episodes.loc[episodes["life_id"] == 1]
    assert episodes["failed"].tolist() == [False] * (len(episodes) - 1) + [True]
    last = episodes.iloc[-1]
    assert (last["entry"], last["lower"], last["upper"], last["exit"]) == (21_000.0, 21_000.0, 24_000.0, 24_000.0)
    assert last["duty_cycle"] == "line_haul"


# Rule 9: position not recorded


def test_a_replacement_without_position_is_never_assigned_to_one_of_several(store: Store) -> None:
    orders = [service("replace", "2020-04-10", None, component="joint", reason="failure", miles=10_000.0),
              changed("2020-07-19", "j2", miles=20_000.0)]  # fmt: skip
    rows = {"positions": [place(), place("j2"), place("s1", "slip_spline")], "services": orders}
    made = history(store, rows=rows)
    assert ends(made, "j1") == [(0, 10_000, False, "position_unknown")]
    assert ends(made, "j2") == [(0, 10_000, False, "position_unknown"), (0, 53_000, False, "running")]
    assert ends(made, "s1") == [(0, 73_000, False, "running")]
    groups = made.groups.set_index("component")
    assert groups["position_unknown"].to_dict() == {"joint": 1, "slip_spline": 0}
    assert made.left_out["reason"].tolist() == ["position_unknown", "position_unknown"]
    assert "position-unknown" in {caution.code for caution in made.cautions}


def test_a_part_fitted_after_such_an_order_is_none_of_its_business(store: Store) -> None:
    orders = [service("replace", "2020-04-10", None, component="joint", reason="failure", miles=10_000.0)]
    places = [place(), place("j2"), place("j3", installed_date=date(2020, 7, 19), installed_miles=20_000.0)]
    assert ends(history(store, rows={"positions": places, "services": orders}), "j3") == [(0, 53_000, False, "running")]


def test_with_one_such_part_on_the_truck_it_is_that_one(store: Store) -> None:
    orders = [service("replace", "2020-04-10", None, component="joint", reason="failure", miles=10_000.0)]
    assert ends(history(store, rows={"services": orders}))[0] == (0, 10_000, True, "failure")


def test_a_replacement_for_a_place_that_is_not_listed_is_reported(store: Store) -> None:
    made = history(store, rows={"services": [changed("2020-04-10", "j9")]})
    assert made.basis.failures == 0
    assert any("not listed" in caution.text for caution in made.cautions)


# Rule 10: mates, merging, zero length


def test_two_positions_failing_on_one_day_are_two_failures(store: Store) -> None:
    rows = {"positions": [place(), place("j2")], "services": [changed("2020-04-10"), changed("2020-04-10", "j2")]}
    assert history(store, rows=rows).basis.failures == 2


def test_orders_within_both_limits_of_the_first_are_one_event_and_never_chain(store: Store) -> None:
    orders = [
        changed("2020-04-10", miles=10_000.0, reason="planned", parts_cost=100.0),
        changed("2020-04-15", miles=10_300.0, reason="failure", parts_cost=50.0, failure_mode="burned"),
        changed("2020-04-20", miles=10_400.0, reason="planned"),
    ]
    made = history(store, rows={"services": orders})
    assert ends(made)[:2] == [(0, 10_000, True, "failure"), (0, 400, False, "planned")]
    assert made.lives["end_cost"].iloc[0] == 150.0
    assert made.lives["mode"].iloc[0] == "burned"


def test_orders_a_whole_week_apart_are_still_one_event_and_a_day_more_makes_two(store: Store) -> None:
    for day, failures in (("2020-04-17", 1), ("2020-04-18", 2)):
        orders = [changed("2020-04-10", miles=10_000.0), changed(day, miles=10_500.0)]
        assert history(store, rows={"services": orders}).basis.failures == failures


def test_orders_beyond_the_miles_limit_are_two_events(store: Store) -> None:
    orders = [changed("2020-04-10", miles=10_000.0), changed("2020-04-12", miles=10_501.0)]
    assert history(store, rows={"services": orders}).basis.failures == 2


@pytest.mark.parametrize("never", [{"same_event_days": 0}, {"same_event_miles": 0.0}])
def test_zero_means_never_merge_and_a_life_of_zero_length_is_counted_not_fitted(store: Store, never: Any) -> None:
    orders = [changed("2020-04-10", miles=10_000.0), changed("2020-04-10", miles=10_000.0)]
    made = history(store, config=replace(CONFIG, **never), rows={"services": orders})
    assert made.basis.failures == 2
    assert made.lives["fittable"].tolist() == [True, False, True]
    assert made.groups["zero_length"].tolist() == [1]

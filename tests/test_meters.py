"""Which meter values can be right, one fault at a time."""

from collections.abc import Iterator
from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fleet_rows import empty_store, history, monthly, reading, service, truck
from tests.plain_meters import judge
from wearlab.history.lives import History
from wearlab.history.meters import judge_meters, summarise_meters
from wearlab.history.store import Store


@pytest.fixture(scope="module")
def store() -> Iterator[Store]:
    with empty_store() as opened:
        yield opened


def judged(
    *values: tuple[int, float], flagged: tuple[int, ...] = (), limit: float = 1_200.0
) -> list[tuple[float | None, str | None]]:
    """Return joined value and reason of (day, value) points of one truck; ``flagged``: places of replaced meters."""
    points = pd.DataFrame(
        {
            "unit_no": 1,
            "day": [day for day, _ in values],
            "value": [float(value) for _, value in values],
            "meter_replaced": [n in flagged for n in range(len(values))],
            "weight": [1.5] + [1.0] * (len(values) - 1),
        }
    )
    made = judge_meters(points, limit_per_day=limit)
    return [
        (None if np.isnan(joined) else round(joined, 6), reason)
        for joined, reason in zip(made["joined"], made["reason"], strict=True)
    ]


def kept(*values: tuple[int, float]) -> list[float | None]:
    return [joined for joined, _ in judged(*values)]


def test_a_meter_that_only_grows_is_kept_as_it_is() -> None:
    assert judged((0, 0), (10, 1_000), (10, 1_000.5), (20, 4_000)) == [
        (0, None),
        (1_000, None),
        (1_000.5, None),
        (4_000, None),
    ]


def test_a_drop_is_disregarded() -> None:
    assert judged((0, 0), (10, 1_000), (20, 500), (30, 3_000))[2] == (None, "drop")


def test_of_two_values_that_contradict_each_other_the_earlier_is_believed() -> None:
    assert kept((0, 0), (10, 1_000), (20, 900)) == [0, 1_000, None]


def test_a_lone_spike_is_disregarded_and_not_what_follows_it() -> None:
    assert judged((0, 0), (10, 1_000), (20, 9_000), (30, 3_000), (40, 4_000))[2] == (None, "lone spike")


def test_a_digit_too_many_is_an_impossible_daily_rate() -> None:
    assert judged((0, 0), (10, 1_000), (20, 20_000_000), (30, 3_000))[2] == (None, "impossible daily rate")
    assert judged((0, 0), (10, 1_000), (20, 200_000)) == [(0, None), (1_000, None), (None, "impossible daily rate")]


def test_twelve_hundred_miles_a_day_are_possible_and_a_gap_under_a_day_counts_as_one() -> None:
    assert kept((0, 0), (10, 12_000), (10, 13_200)) == [0, 12_000, 13_200]
    assert kept((0, 0), (10, 12_001), (20, 13_000)) == [0, None, 13_000]


def test_the_in_service_value_outweighs_one_reading_and_not_two() -> None:
    assert kept((0, 0), (10, 500_000)) == [0, None]
    assert kept((0, 900_000), (10, 1_000), (20, 2_000)) == [None, 1_000, 2_000]


def test_a_replaced_meter_is_joined_at_the_trucks_own_rate() -> None:
    made = judged((0, 0), (100, 10_000), (110, 50), (210, 10_050), flagged=(2,))
    assert made == [(0, None), (10_000, None), (11_000, "replaced"), (21_000, None)]


def test_a_flag_on_a_reading_that_continues_the_meter_changes_nothing() -> None:
    assert judged((0, 0), (100, 10_000), (110, 11_500), flagged=(2,))[2] == (11_500, None)


def test_a_meter_replaced_twice_is_joined_twice() -> None:
    made = judged((0, 0), (100, 10_000), (100, 0), (200, 10_000), (210, 0), (310, 10_000), flagged=(2, 4))
    assert [joined for joined, _ in made] == [0, 10_000, 10_000, 20_000, 21_000, 31_000]


def test_a_lasting_step_down_without_a_flag_is_a_new_meter_and_a_short_one_is_not() -> None:
    before = [(10 * n, 1_000 * n) for n in range(11)]
    after = [(110, 100), (120, 1_100), (130, 2_100)]
    assert judged(*before, *after)[-3:] == [(11_000, "replaced, not flagged"), (12_000, None), (13_000, None)]
    assert judged(*before, *after[:2])[-2:] == [(None, "drop"), (None, "drop")]


def test_a_run_of_copied_faults_on_one_day_is_one_fault() -> None:
    """Four lines of one work order carry one wrong meter: the caller hands over different values only."""
    assert kept((0, 0), (10, 1_000), (20, 900_000), (30, 3_000)) == [0, 1_000, None, 3_000]


def test_engine_hours_cannot_run_more_than_a_day_in_a_day() -> None:
    assert judged((0, 0), (10, 241), (20, 300), limit=24.0)[1] == (None, "impossible daily rate")


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.integers(0, 60), st.integers(0, 12)), min_size=1, max_size=12, unique=True
    )
)
def test_any_values_are_judged_as_the_plain_search_judges_them(drawn: list[tuple[int, int, int]]) -> None:
    rows = sorted({(day, flag == 0, value * 777.0) for day, value, flag in drawn})
    values = [(date(2020, 1, 1) + pd.Timedelta(days=day), value, flag, 1.0) for day, flag, value in rows]
    expected = [joined for _, _, joined in judge(values, 1_200.0)]
    points = pd.DataFrame(
        {
            "unit_no": 1,
            "day": [day for day, _, _ in rows],
            "value": [value for _, _, value in rows],
            "meter_replaced": [flag for _, flag, _ in rows],
            "weight": 1.0,
        }
    )
    made = judge_meters(points, limit_per_day=1_200.0)
    np.testing.assert_allclose(made["joined"], [np.nan if v is None else v for v in expected], rtol=1e-12)


def test_trucks_are_judged_each_on_its_own() -> None:
    one = pd.DataFrame({"day": [0, 10, 20, 30], "value": [0.0, 1_000.0, 500.0, 3_000.0]})
    both = pd.concat([one.assign(unit_no=1), one.assign(unit_no=2).drop(index=1)], ignore_index=True)
    made = judge_meters(both.assign(meter_replaced=False, weight=1.0), limit_per_day=1_200.0)
    assert made["kept"].tolist() == [True, True, False, True, True, True, True]


def meters(made: History, day: str) -> tuple[float, bool, str | None, str | None]:
    row = made.meters.loc[made.meters["date"] == pd.Timestamp(day)].iloc[0]
    return round(row["miles"], 6), bool(row["disregarded"]), row["reason"], row["filled"]


def test_a_missing_service_mileage_is_interpolated_and_marked(store: Store) -> None:
    made = history(store, rows={"services": [service("regrease", "2020-04-10")]})
    assert meters(made, "2020-04-10") == (10_000.0, False, None, "interpolated")
    assert made.stops[["miles", "miles_source"]].to_numpy().tolist() == [[10_000.0, "interpolated"]]


def test_a_wrong_service_mileage_is_filled_from_the_readings_around_it(store: Store) -> None:
    made = history(store, rows={"services": [service("regrease", "2020-04-10", miles=1_000_000.0)]})
    assert meters(made, "2020-04-10") == (10_000.0, True, "impossible daily rate", "interpolated")


def test_beyond_the_last_reading_the_meter_is_carried_on_for_sixty_days_and_no_further(store: Store) -> None:
    services = [service("regrease", "2022-01-10"), service("regrease", "2022-03-01"), service("regrease", "2022-03-02")]
    made = history(store, rows={"services": services})
    assert meters(made, "2022-01-10") == (74_000.0, False, None, "carried on")
    assert made.stops["miles"].round(6).tolist()[:2] == [74_000.0, 79_000.0]
    assert np.isnan(made.stops["miles"].iloc[2])
    assert made.gaps["why_not"].tolist() == [None, "no_meter"]


def test_the_in_service_date_and_miles_are_a_meter_point(store: Store) -> None:
    made = history(
        store, rows={"units": [truck(in_service_miles=3_000.0)], "services": [service("inspect", "2021-01-01")]}
    )
    assert made.meters["origin"].tolist()[0] == "in_service"
    assert meters(made, "2021-01-01")[0] == pytest.approx(3_000 + 70_000 * 366 / 730)


def test_within_a_day_values_are_ordered_by_miles(store: Store) -> None:
    day = [reading("2020-04-10", 10_400.0), reading("2020-04-10", 10_000.0), reading("2021-12-31", 73_000.0)]
    assert not history(store, rows={"readings": day}).meters["disregarded"].any()


def test_a_life_runs_on_over_a_replaced_meter(store: Store) -> None:
    readings = [reading("2020-12-31", 36_500.0), reading("2020-12-31", 0.0, meter_replaced=True),
                reading("2021-12-31", 36_500.0)]  # fmt: skip
    made = history(store, rows={"readings": readings})
    assert made.lives["exit"].tolist() == [73_000.0]


def test_a_service_on_the_day_of_a_new_meter_may_show_either(store: Store) -> None:
    readings = [reading("2020-12-30", 36_400.0), reading("2020-12-31", 0.0, meter_replaced=True),
                reading("2021-12-31", 36_500.0)]  # fmt: skip
    services = [service("inspect", "2020-12-31", miles=36_500.0), service("regrease", "2020-12-31", miles=5.0)]
    made = history(store, rows={"readings": readings, "services": services})
    assert not made.meters["disregarded"].any()
    assert made.stops["miles"].tolist() == [36_505.0]
    assert made.lives["exit"].tolist() == [73_000.0]


def test_the_summary_counts_by_truck_and_reason(store: Store) -> None:
    readings = [reading("2020-02-01", 3_000.0), reading("2020-03-01", 100.0), reading("2020-04-01", 9_000_000.0),
                reading("2021-12-31", 73_000.0)]  # fmt: skip
    made = history(store, rows={"readings": readings, "services": monthly([0.0])})
    summary = summarise_meters(made)
    assert summary[["unit_id", "reason", "values", "of"]].to_numpy().tolist() == [
        ["T1", "drop", 1, 6],
        ["T1", "impossible daily rate", 1, 6],
    ]
    assert "meters-disregarded" in {caution.code for caution in made.cautions}

"""Regrease gaps, practice and episodes on a handful of literal rows."""

from collections.abc import Iterator
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tests.fleet_rows import changed, empty_store, history, monthly, place, reading, service, truck
from tests.plain_spread import summarise
from wearlab.history.spread import split_spread
from wearlab.history.store import Store


@pytest.fixture(scope="module")
def store() -> Iterator[Store]:
    with empty_store() as opened:
        yield opened


def test_practice_is_the_mean_of_the_last_five_gaps_known_at_the_start_of_the_stretch(store: Store) -> None:
    at = [0.0, 1_000.0, 3_000.0, 6_000.0, 10_000.0, 15_000.0, 21_000.0, 28_000.0]
    made = history(store, rows={"services": monthly(at)})
    episodes = made.episodes.loc[made.episodes["practice_source"] == "gaps"]
    assert episodes["raw_practised_miles"].tolist() == [1_000, 1_500, 2_000, 2_500, 3_000, 4_000, 5_000]
    assert episodes["gaps_behind"].tolist() == [1, 2, 3, 4, 5, 5, 5]
    assert episodes["entry"].tolist() == at[1:]


def test_practice_is_the_trucks_and_does_not_start_again_with_a_new_part(store: Store) -> None:
    services = [*monthly([0.0, 3_000.0, 6_000.0, 9_000.0]), changed("2020-04-20", miles=11_000.0, position="b1")]
    rows = {"positions": [place(), place("b1", "boot")], "services": services}
    made = history(store, rows=rows)
    new = made.lives.loc[(made.lives["position"] == "b1") & (made.lives["life_number"] == 2), "life_id"].item()
    first = made.episodes.loc[made.episodes["life_id"] == new].iloc[0]
    assert (first["raw_practised_miles"], first["gaps_behind"]) == (3_000.0, 3)


def test_gaps_cut_by_the_record_ended_by_a_repair_or_near_a_replacement_do_not_count(store: Store) -> None:
    services = [
        service("regrease", "2020-02-01", miles=3_000.0),
        service("regrease", "2020-03-01", miles=6_000.0),
        service("regrease", "2020-04-01", miles=9_000.0),
        changed("2020-04-01", "b1", miles=9_000.0),
        service("regrease", "2020-05-01", miles=12_000.0),
        changed("2020-05-08", "j1", reason="planned", miles=12_700.0),
        service("regrease", "2020-06-01", miles=15_000.0),
        changed("2020-06-09", "j1", reason="planned", miles=15_800.0),
        service("regrease", "2020-07-01", miles=18_000.0),
    ]
    rows = {"units": [truck(in_service_date=date(2019, 12, 1))], "positions": [place(), place("b1", "boot")],
            "services": services}  # fmt: skip
    made = history(store, rows=rows)
    expected = ["cut_by_record", None, "ended_by_repair", "near_replacement", None, None]
    assert made.gaps["why_not"].tolist() == expected
    assert made.gaps["counted"].tolist() == [why is None for why in expected]


def test_a_gap_ends_on_the_day_of_its_stop_however_many_lines_that_stop_has(store: Store) -> None:
    twice = [
        service("regrease", "2020-02-01", "j1", miles=3_000.0),
        service("regrease", "2020-02-01", "j2", miles=3_000.0),
    ]
    rows = {"positions": [place(), place("j2")], "services": [*twice, service("regrease", "2020-03-01", miles=6_000.0)]}
    made = history(store, rows=rows)
    assert made.gaps["miles"].tolist() == [3_000.0]
    assert made.stops["positions"].tolist() == ["j1; j2", None]


def test_before_the_first_gap_the_plan_in_force_stands_and_else_the_mean_of_shop_and_class(store: Store) -> None:
    plan = {"duty_cycle": "line_haul", "from_date": date(2019, 1, 1), "interval_miles": 4_000.0}
    units = [truck(), truck("T2")]
    rows = {"units": units, "positions": [place(), place(unit_id="T2")], "services": monthly([0.0, 3_000.0, 6_000.0]),
            "readings": [reading("2020-12-31", 36_500.0), reading("2020-12-31", 36_500.0, "T2")]}  # fmt: skip
    second = history(store, rows={**rows, "lube_plan": [plan]}).episodes.query("unit_id == 'T2'")
    assert second[["practised_miles", "practice_source"]].to_numpy().tolist() == [[4_000.0, "plan"]]
    second = history(store, rows=rows).episodes.query("unit_id == 'T2'")
    assert second[["practised_miles", "practice_source"]].to_numpy().tolist() == [[3_000.0, "class"]]


def test_practice_begins_anew_when_the_plan_or_the_duty_cycle_changes(store: Store) -> None:
    plan = [{"duty_cycle": "line_haul", "from_date": date(2020, 3, 15), "interval_miles": 4_000.0}]
    change = [{"unit_id": "T1", "date": date(2020, 5, 15), "duty_cycle": "vocational"}]
    services = monthly([0.0, 3_000.0, 6_000.0, 8_000.0, 10_000.0, 11_000.0])
    made = history(store, rows={"services": services, "lube_plan": plan, "duty_changes": change})
    assert made.episodes[["entry_date", "practice_source", "raw_practised_miles", "gaps_behind"]].head(7).assign(
        entry_date=made.episodes["entry_date"].dt.strftime("%m-%d")
    ).fillna(0).to_numpy().tolist() == [
        ["01-01", "class", 0, 0],
        ["02-01", "gaps", 3_000.0, 1],
        ["03-01", "gaps", 3_000.0, 2],
        ["03-15", "plan", 0, 0],
        ["04-01", "gaps", 2_000.0, 1],
        ["05-01", "gaps", 2_000.0, 2],
        ["05-15", "class", 0, 0],
    ]


def test_a_gap_that_ends_on_the_day_of_a_change_still_belongs_to_what_was_before(store: Store) -> None:
    change = [{"unit_id": "T1", "date": date(2020, 4, 1), "duty_cycle": "vocational"}]
    made = history(store, rows={"services": monthly([0.0, 3_000.0, 6_000.0, 9_000.0]), "duty_changes": change})
    assert made.gaps["duty_cycle"].tolist() == ["line_haul"] * 3
    after = made.episodes.loc[made.episodes["entry"] == 9_000.0].iloc[0]
    assert (after["duty_cycle"], after["gaps_behind"], after["practice_source"]) == ("vocational", 0, "unknown")


def test_a_plan_for_the_truck_goes_before_the_plan_for_its_class(store: Store) -> None:
    plans = [{"duty_cycle": "line_haul", "from_date": date(2019, 1, 1), "interval_miles": 4_000.0},
             {"unit_id": "T1", "from_date": date(2019, 1, 1), "interval_miles": 2_500.0}]  # fmt: skip
    assert history(store, rows={"lube_plan": plans}).episodes["practised_miles"].tolist() == [2_500.0]


def test_an_open_gap_beyond_twice_the_longest_is_practice_unknown(store: Store) -> None:
    made = history(store, rows={"services": monthly([0.0, 3_000.0, 6_000.0])})
    last = made.episodes.iloc[-1]
    assert (last["practice_source"], last["entry"]) == ("unknown", 12_000.0)
    assert np.isnan(last["practised_miles"])


def test_an_option_leaves_out_the_stretch_before_the_first_gap_by_delayed_entry(store: Store) -> None:
    rows = {"services": monthly([0.0, 3_000.0, 6_000.0])}
    whole, late = history(store, rows=rows), history(store, rows=rows, leave_out_first_gap=True)
    assert whole.episodes["entry"].min() == 0.0
    assert late.episodes["entry"].min() == 3_000.0
    assert late.lives["entry"].tolist() == [0.0]


def some_trucks() -> dict[str, Any]:
    """Return six trucks of two shops with 17 gaps each, the fourth truck with a change of work half-way."""
    units = [truck(f"T{n}", attributes={"home_shop": "east" if n < 4 else "west"}) for n in range(1, 7)]
    random = np.random.default_rng(5)
    services, readings = [], []
    for n, unit in enumerate(units):
        at = 0.0
        for stop in pd.date_range("2020-01-01", periods=18, freq="40D"):
            services.append(service("regrease", str(stop.date()), unit_id=unit["unit_id"], miles=round(at, 1)))
            at += (3_000 + 400 * n) * random.uniform(0.7, 1.3)
        readings.append(reading("2021-12-31", at + 1_000, unit["unit_id"]))
    change = {"unit_id": "T4", "date": date(2020, 10, 10), "duty_cycle": "vocational"}
    return {"units": units, "positions": [place(unit_id=unit["unit_id"]) for unit in units], "services": services,
            "readings": readings, "duty_changes": [change]}  # fmt: skip


def test_practice_is_shrunken_toward_the_truck_and_then_its_class(store: Store) -> None:
    """The formula written out, with the variance components of the same gaps."""
    made = history(store, rows=some_trucks())
    gaps = made.gaps.loc[made.gaps["counted"]].assign(
        era_no=lambda g: (g["duty_cycle"] == "vocational").astype(int),
        unit_no=lambda g: g["unit_id"].str[1:].astype(int),
    )
    spread = split_spread(summarise(gaps))
    assert spread.gap > 0
    assert spread.truck > 0
    known = made.episodes.loc[made.episodes["practice_source"] == "gaps"]
    assert len(known) > 90
    for episode in known.itertuples():
        mine = gaps.loc[(gaps["unit_id"] == episode.unit_id) & (gaps["duty_cycle"] == episode.duty_cycle)]
        before = mine.loc[mine["end_date"] <= episode.entry_date, "miles"].to_numpy()
        alike = gaps.loc[(gaps["shop"] == episode.shop) & (gaps["duty_cycle"] == episode.duty_cycle), "miles"].mean()
        last, many = before[-5:], len(before)
        own_weight = spread.truck / (spread.truck + spread.local / np.ceil(many / 5) + spread.gap / many)
        own = own_weight * before.mean() + (1 - own_weight) * alike
        weight = spread.local / (spread.local + spread.gap / len(last))
        assert episode.practised_miles == pytest.approx(weight * last.mean() + (1 - weight) * own, rel=1e-9)


def test_a_plan_in_hours_or_months_is_read_at_the_trucks_own_rates_whichever_comes_first(store: Store) -> None:
    plan = {"duty_cycle": "line_haul", "from_date": date(2019, 1, 1), "interval_miles": 9_000.0}
    rows = {"readings": [reading("2021-12-31", 73_000.0, engine_hours=1_460.0)]}
    for more, expected in [({}, 9_000.0), ({"interval_months": 2.0}, 6_087.5), ({"interval_hours": 100.0}, 5_000.0)]:
        made = history(store, rows={**rows, "lube_plan": [{**plan, **more}]})
        assert made.episodes["practised_miles"].tolist() == [pytest.approx(expected)]


def test_what_the_last_five_stops_showed_is_carried_to_each_stretch(store: Store) -> None:
    cups = [0, 4, 4, 4, 4, 2]
    services = [
        service("regrease", f"2020-{month:02}-01", miles=3_000.0 * month, cups_purged=purged, grease_grade=grade)
        for month, (purged, grade) in enumerate(zip(cups, ["EP1", None, None, "EP2", None, None], strict=True), 1)
    ]
    episodes = history(store, rows={"services": services}).episodes
    at = episodes.set_index("entry")
    assert at.loc[18_000.0, "cups_purged_before"] == 3.6
    assert at.loc[6_000.0, "cups_purged_before"] == 2.0
    assert at.loc[[9_000.0, 18_000.0], "grease_grade_before"].tolist() == ["EP1", "EP2"]

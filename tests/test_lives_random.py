"""The lives built in SQL against the same lives built loop by loop in plain Python, on random histories."""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.fleet_rows import empty_store, fill_store, history_from
from tests.plain_practice import build
from wearlab.history.config import FleetConfig
from wearlab.history.lives import History
from wearlab.history.store import Store

FIRST = date(2019, 6, 1)
RECORDS_FROM = date(2020, 1, 1)
LAST_DAY = 1000
POSITIONS = {"j1": "joint", "j2": "joint", "s1": "slip_spline", "b1": "boot"}


@pytest.fixture(scope="module")
def store() -> Iterator[Store]:
    with empty_store() as opened:
        yield opened


def day(offset: int) -> date:
    return FIRST + timedelta(days=offset)


def meter(draw: Any, at: int, rate: float) -> float:
    """Return the true meter of that day, or now and then a wrong one."""
    value = round(at * rate + draw(st.integers(0, 50)), 1)
    fault = draw(st.sampled_from([None] * 12 + ["digit", "drop", "tenfold"]))
    return {"digit": value + 100_000.0, "drop": max(value - 9_000.0, 0.0), "tenfold": value * 10}.get(fault, value)


@st.composite
def trucks(draw: Any, unit_id: str) -> dict[str, list[dict[str, Any]]]:
    began = draw(st.integers(0, 500))
    rate = draw(st.sampled_from([37.3, 151.9, 420.7]))
    ended = draw(st.one_of(st.none(), st.integers(began, LAST_DAY)))
    unit = {
        "unit_id": unit_id,
        "duty_cycle": draw(st.sampled_from(["line_haul", "vocational"])),
        "in_service_date": day(began),
        "in_service_miles": round(began * rate, 1),
        "out_of_service_date": None if ended is None else day(ended),
        "axle_ratio": draw(st.sampled_from([None, 3.5])),
        "tire_turns_per_mile": 500.0,
    }
    names = draw(st.lists(st.sampled_from(sorted(POSITIONS)), min_size=1, max_size=4, unique=True))
    positions = []
    for name in names:
        fitted = draw(st.one_of(st.none(), st.integers(began, LAST_DAY)))
        positions.append(
            {
                "unit_id": unit_id,
                "position": name,
                "component": POSITIONS[name],
                "hardware": draw(st.sampled_from([None, "greaseable", "sealed"])),
                "installed_date": None if fitted is None else day(fitted),
                "installed_miles": None if fitted is None else draw(st.sampled_from([None, round(fitted * rate, 1)])),
                "age_known": draw(st.sampled_from([True, True, True, False])),
            }
        )
    services = []
    for n, at in enumerate(draw(st.lists(st.integers(began - 20, LAST_DAY), max_size=14))):
        action = draw(st.sampled_from(["regrease", "regrease", "regrease", "inspect", "replace"]))
        place = draw(st.sampled_from([*names, None, None]))
        services.append(
            {
                "service_id": f"{unit_id}-{n}",
                "unit_id": unit_id,
                "date": day(at),
                "miles": None if draw(st.booleans()) else meter(draw, at, rate),
                "position": place,
                "component": draw(st.sampled_from(["joint", "slip_spline"]))
                if place is None and action == "replace"
                else None,
                "action": action,
                "reason": draw(st.sampled_from(["failure", "failure", "planned", "unknown", "with_mate"]))
                if action == "replace"
                else None,
                "found_at": draw(st.sampled_from(["breakdown", "inspection"])),
                "posted_date": draw(st.sampled_from([None, day(at + 30)])),
            }
        )
    readings = [
        {
            "unit_id": unit_id,
            "date": day(at),
            "miles": meter(draw, at, rate),
            "engine_hours": draw(st.sampled_from([None, at * 3.1])),
            "meter_replaced": draw(st.sampled_from([False] * 5 + [True])),
        }
        for at in draw(st.lists(st.integers(began, LAST_DAY), max_size=8))
    ]
    changes = [
        {"unit_id": unit_id, "date": day(at), "duty_cycle": draw(st.sampled_from(["line_haul", "vocational"]))}
        for at in draw(st.lists(st.integers(began, LAST_DAY), max_size=2))
    ]
    plan = [
        {"unit_id": draw(st.sampled_from([unit_id, None])), "duty_cycle": "vocational", "from_date": day(at),
         "interval_miles": draw(st.sampled_from([5_000.0, 9_000.0]))}
        for at in draw(st.lists(st.integers(0, LAST_DAY), max_size=2))
    ]  # fmt: skip
    return {"units": [unit], "positions": positions, "services": services, "readings": readings,
            "duty_changes": changes, "lube_plan": plan}  # fmt: skip


@st.composite
def fleets(draw: Any) -> tuple[dict[str, list[dict[str, Any]]], dict[str, Any]]:
    parts = [draw(trucks(f"T{n}")) for n in range(draw(st.integers(1, 2)))]
    rows = {table: [row for part in parts for row in part[table]] for table in parts[0]}
    asked = {
        "records_from": RECORDS_FROM,
        "as_of": day(draw(st.integers(214, LAST_DAY))),
        "scale": draw(st.sampled_from(["miles", "days", "engine_hours", "joint_cycles"])),
        "same_event_days": draw(st.sampled_from([0, 7, 40])),
        "same_event_miles": draw(st.sampled_from([500.0, 5_000.0])),
        "unknown_as_failure": draw(st.booleans()),
        "known_then": draw(st.booleans()),
    }
    return rows, asked


def make_history(store: Store, rows: dict[str, list[dict[str, Any]]], asked: dict[str, Any]) -> History:
    fill_store(store, rows)
    config = FleetConfig(
        records_from=asked["records_from"],
        same_event_days=asked["same_event_days"],
        same_event_miles=asked["same_event_miles"],
    )
    options = {key: asked[key] for key in ("as_of", "scale", "unknown_as_failure", "known_then")}
    return history_from(store, config=config, **options)


def number(value: float | None) -> float:
    return float("nan") if value is None else value


@settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(fleet=fleets())
def test_lives_gaps_and_episodes_are_those_of_the_plain_builder(store: Store, fleet: Any) -> None:
    rows, asked = fleet
    history = make_history(store, rows, asked)
    plain = build(rows, asked)
    lives = history.lives
    assert list(zip(lives["unit_id"], lives["position"], lives["life_number"], strict=True)) == [
        (life.unit_id, life.position, life.number) for life in plain["lives"]
    ]
    for column in ("failed", "ending", "duty_cycle"):
        assert lives[column].tolist() == [getattr(life, column) for life in plain["lives"]], column
    for column in ("entry", "exit", "lower", "upper"):
        expected = np.array([number(getattr(life, column)) for life in plain["lives"]])
        np.testing.assert_allclose(lives[column].to_numpy(float), expected, rtol=1e-9, atol=1e-6, err_msg=column)
    gaps = history.gaps
    assert list(zip(gaps["unit_id"], gaps["end_date"].dt.date, gaps["why_not"], gaps["duty_cycle"], strict=True)) == [
        (gap["unit_id"], gap["end"], gap["why_not"], gap["duty_cycle"]) for gap in plain["gaps"]
    ]
    np.testing.assert_allclose(
        gaps["miles"].to_numpy(float), [number(gap["miles"]) for gap in plain["gaps"]], atol=1e-6
    )
    left_out = history.left_out.groupby("reason")["lives"].sum().to_dict()
    assert left_out == plain["left_out"]
    compare_episodes(history, plain)


def compare_episodes(history: History, plain: dict[str, Any]) -> None:
    expected = [(n, episode) for n, life in enumerate(plain["lives"], 1) for episode in life.episodes]
    found = history.episodes
    assert found["life_id"].tolist() == [n for n, _ in expected]
    for column in ("entry", "exit"):
        values = [episode[column] for _, episode in expected]
        np.testing.assert_allclose(found[column].to_numpy(float), values, rtol=1e-9, atol=1e-5, err_msg=column)
    assert found["failed"].tolist() == [episode["failed"] for _, episode in expected]
    states = [episode["state"] for _, episode in expected]
    assert found["practice_source"].tolist() == [state["source"] for state in states]
    assert found["duty_cycle"].tolist() == [state["duty_cycle"] for state in states]
    assert found["gaps_behind"].tolist() == [state["behind"] for state in states]
    np.testing.assert_allclose(
        found["raw_practised_miles"].to_numpy(float), [number(state["raw"]) for state in states], rtol=1e-9
    )
    planned = [state["source"] == "plan" for state in states]
    np.testing.assert_allclose(
        found["practised_miles"].to_numpy(float)[planned], [state["plan"] for state in states if state["plan"]]
    )

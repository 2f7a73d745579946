"""The work list: which regrease is due when, what is looked at first, and in what order."""

from dataclasses import fields, replace
from datetime import date
from typing import Any, TypeVar

import numpy as np
import pandas as pd
import pytest

from tests.curve_histories import make_history, make_lives
from wearlab.answers.cluster import Cluster, Verdict
from wearlab.answers.due import WorkList, list_work, work_calendar
from wearlab.answers.early import EarlyFailures
from wearlab.answers.forecast import Forecast
from wearlab.answers.intervals import Recommendation
from wearlab.answers.wear import Wear
from wearlab.evidence import Basis, Unanswered
from wearlab.history.config import FleetConfig, PublishedInterval
from wearlab.history.lives import History

AS_OF = date(2026, 6, 30)
NOW = pd.Timestamp(AS_OF)
NONE = pd.DataFrame()
Answer = TypeVar("Answer")
BASIS = Basis("made up for a test", (), AS_OF, "miles", 0.9, (), 0, 0)
UNITS = ("A", "B", "C", "D")
PLAN_COLUMNS = ["duty_cycle", "unit_id", "from_date", "interval_miles", "interval_hours", "interval_months"]


def _plan(*rows: tuple[Any, ...]) -> pd.DataFrame:
    table = pd.DataFrame(list(rows), columns=PLAN_COLUMNS)
    return table.assign(from_date=pd.to_datetime(table["from_date"]))


def _history(
    *,
    stops: dict[str, tuple[float, int]] | None = None,
    plan: pd.DataFrame | None = None,
    config: FleetConfig | None = None,
    **units: Any,
) -> History:
    """Four trucks at 100,000 miles, 100 miles and 5 hours a day; ``stops``: miles and days since the last regrease."""
    stops = {"A": (9_000, 90), "B": (9_990, 100), "C": (7_000, 70), "D": (1_000, 10)} if stops is None else stops
    table = pd.DataFrame(
        {
            "unit_id": UNITS,
            "duty_cycle": "vocational",
            "in_service_date": pd.Timestamp(2020, 1, 1),
            "out_of_service_date": pd.NaT,
            "in_service": True,
            "shop": ["north", "south", "north", "south"],
            "first_date": pd.Timestamp(2020, 1, 1),
            "last_date": NOW,
            "last_miles": 100_000.0,
            "last_hours": 5_000.0,
            "miles_per_day": 100.0,
            "hours_per_day": 5.0,
        }
    ).assign(**units)
    positions = ["main.joint.1", "main.joint.2", "interaxle.joint.1"]
    lives = make_lives(
        np.full(12, 80_000.0),
        np.zeros(12),
        unit_id=np.repeat(UNITS, 3),
        position=positions * 4,
        component="joint",
        duty_cycle="vocational",
        hardware="greaseable",
    )
    greased = pd.DataFrame(
        {
            "unit_id": list(stops),
            "date": [NOW - pd.Timedelta(days=days) for _, days in stops.values()],
            "miles": [100_000.0 - miles for miles, _ in stops.values()],
            "hours": [5_000.0 - 5.0 * days for _, days in stops.values()],
            "positions": None,
        }
    )
    plan = _plan(("vocational", None, "2020-01-01", 9_000.0, np.nan, np.nan)) if plan is None else plan
    base = make_history(lives, config)
    return replace(base, basis=BASIS, as_of=AS_OF, units=table, stops=greased, plan=plan)


def _answer(kind: type[Answer], **given: Any) -> Answer:
    """An answer with the given tables, its other tables empty."""
    empty = {field.name: NONE for field in fields(kind)}  # type: ignore[arg-type]
    return kind(**empty | {"basis": BASIS, "cautions": ()} | given)


def _recommendation(regrease: pd.DataFrame = NONE, replacement: pd.DataFrame = NONE) -> Recommendation:
    return _answer(Recommendation, regrease=regrease, replacement=replacement)


def _work(history: History, **given: Any) -> pd.DataFrame:
    return _list(history, **given).work


def _list(history: History, **given: Any) -> WorkList:
    asked = dict.fromkeys(("recommendation", "early", "cluster", "wear", "forecast")) | given
    made = list_work(history, level=0.9, **asked)
    assert isinstance(made, WorkList)
    return made


def _row(work: pd.DataFrame, unit: str, task: str = "regrease") -> pd.Series:
    rows = work[(work["unit_id"] == unit) & (work["task"] == task)]
    assert len(rows) == 1
    return rows.iloc[0]


def test_a_regrease_is_due_by_miles_from_the_last_stop_at_the_trucks_own_rate() -> None:
    work = _work(_history())
    assert _row(work, "A")[["due_miles", "due_date", "status"]].tolist() == [100_000.0, AS_OF, "due"]
    assert _row(work, "B")[["due_miles", "due_date", "status"]].tolist() == [99_010.0, date(2026, 6, 20), "overdue"]
    assert _row(work, "C")[["due_miles", "due_date", "status"]].tolist() == [102_000.0, date(2026, 7, 20), "soon"]
    assert "D" not in set(work["unit_id"])


def test_whichever_limit_comes_first_decides() -> None:
    months = _work(_history(plan=_plan(("vocational", None, "2020-01-01", 20_000.0, np.nan, 3.0))))
    assert _row(months, "B")["status"] == "overdue"
    assert _row(months, "B")["due_date"] == date(2026, 6, 22)
    assert "here the months" in _row(months, "B")["why"]
    hours = _work(_history(plan=_plan(("vocational", None, "2020-01-01", 20_000.0, 450.0, 12.0))))
    assert _row(hours, "A")["due_date"] == AS_OF
    assert "here the engine hours" in _row(hours, "A")["why"]


def test_a_trucks_own_plan_comes_before_its_class_and_a_later_plan_before_an_earlier() -> None:
    plan = _plan(
        ("vocational", None, "2020-01-01", 9_000.0, np.nan, np.nan),
        ("vocational", None, "2025-01-01", 12_000.0, np.nan, np.nan),
        (None, "A", "2024-01-01", 8_000.0, np.nan, np.nan),
        ("vocational", None, "2027-01-01", 1_000.0, np.nan, np.nan),
    )
    work = _work(_history(plan=plan))
    assert _row(work, "A")["due_miles"] == 99_000.0
    assert _row(work, "B")["due_miles"] == 102_010.0


def test_the_makers_interval_limits_a_longer_plan_unless_the_fleet_says_otherwise() -> None:
    published = {"vocational": PublishedInterval(8_000.0, None, None, "maker's table")}
    config = FleetConfig(published_interval=published)
    assert _row(_work(_history(config=config)), "A")["due_miles"] == 99_000.0
    assert "maker's table" in _row(_work(_history(config=config)), "A")["why"]
    beyond = replace(config, allow_beyond_published=True)
    assert _row(_work(_history(config=beyond)), "A")["due_miles"] == 100_000.0


def test_without_a_plan_the_makers_interval_holds_then_the_recommended_one() -> None:
    recommended = pd.DataFrame({"duty_cycle": ["vocational"], "recommended": [8_500.0]})
    bare = _history(plan=_plan())
    assert _row(_work(bare, recommendation=_recommendation(recommended)), "A")["due_miles"] == 99_500.0
    maker = FleetConfig(published_interval={"vocational": PublishedInterval(8_000.0, None, None, "table")})
    work = _work(_history(plan=_plan(), config=maker), recommendation=_recommendation(recommended))
    assert _row(work, "A")["due_miles"] == 99_000.0


def test_a_shorter_recommendation_is_named_beside_the_plan_that_still_holds() -> None:
    recommended = pd.DataFrame({"duty_cycle": ["vocational"], "recommended": [6_000.0]})
    row = _row(_work(_history(), recommendation=_recommendation(recommended)), "A")
    assert row["due_miles"] == 100_000.0
    assert "recommended for this class: 6,000 miles" in row["why"]


def test_trucks_without_any_interval_are_counted() -> None:
    made = _list(_history(plan=_plan()))
    assert made.work.empty
    assert any(caution.text.startswith("4 trucks have no regrease interval") for caution in made.cautions)


def test_a_truck_never_greased_counts_from_the_start_of_its_record() -> None:
    history = _history(stops={"A": (9_000, 90)}, config=FleetConfig(records_from=date(2026, 1, 1)))
    row = _row(_work(history), "B")
    assert row["status"] == "overdue"
    assert row["due_miles"] == 100_000.0 - 18_000.0 + 9_000.0
    assert "no regrease on record" in row["why"]


def test_the_place_that_waited_longest_decides_where_stops_name_places() -> None:
    history = _history()
    named = pd.DataFrame(
        {
            "unit_id": ["B", "B"],
            "date": [NOW - pd.Timedelta(days=5), NOW - pd.Timedelta(days=60)],
            "miles": [99_500.0, 94_000.0],
            "hours": [4_975.0, 4_700.0],
            "positions": ["main.joint.1; main.joint.2", "interaxle.joint.1"],
        }
    )
    rest = history.stops[history.stops["unit_id"] != "B"]
    work = _work(replace(history, stops=pd.concat([rest, named], ignore_index=True)))
    assert _row(work, "B")["due_miles"] == 103_000.0


def test_a_truck_with_sealed_parts_only_is_not_greased() -> None:
    history = _history()
    sealed = history.lives["hardware"].where(history.lives["unit_id"] != "A", "sealed")
    assert "A" not in set(_work(replace(history, lives=history.lives.assign(hardware=sealed)))["unit_id"])


def test_trucks_out_of_service_get_no_work() -> None:
    work = _work(_history(in_service=[True, False, True, True]))
    assert "B" not in set(work["unit_id"])


def test_a_truck_read_last_a_while_ago_is_carried_on_at_its_rate() -> None:
    history = _history(last_date=NOW - pd.Timedelta(days=10), last_miles=99_000.0, last_hours=4_950.0)
    assert _row(_work(history), "A")["due_date"] == AS_OF


def test_a_truck_without_a_rate_is_due_by_its_months_alone() -> None:
    plan = _plan(("vocational", None, "2020-01-01", 20_000.0, np.nan, 3.0))
    made = _list(_history(plan=plan, miles_per_day=np.nan, hours_per_day=np.nan))
    assert _row(made.work, "B")["due_date"] == date(2026, 6, 22)
    assert "usage-unknown" in {caution.code for caution in made.cautions}


def _wear(status: str) -> Wear:
    parts = pd.DataFrame(
        {
            "unit_id": ["A"],
            "position": ["main.joint.1"],
            "quantity": ["joint_play"],
            "latest": [0.0065],
            "unit": ["in"],
            "limit": [0.006],
            "status": [status],
            "standing": [status],
        }
    )
    return _answer(Wear, parts=parts)


def test_inspection_comes_before_grease_and_a_trucks_jobs_stand_together() -> None:
    work = _work(_history(), wear=_wear("may reach the limit within 90 days"))
    tasks = work.loc[work["unit_id"] == "A", "task"].tolist()
    assert tasks == ["inspect", "regrease"]
    assert work["unit_id"].tolist() == ["A", "A", "B", "C"]  # this week's shop by shop; C, in the north too, later
    assert work["why"][work["task"] == "regrease"].str.startswith("Inspect before greasing.").all()


def test_a_part_measured_past_its_limit_is_to_be_replaced() -> None:
    row = _row(_work(_history(), wear=_wear("past the limit")), "A", "replace_planned")
    assert (row["position"], row["status"]) == ("main.joint.1", "overdue")
    assert "0.0065 in, limit 0.006" in row["why"]


def _verdict(found: str, factor: str | None, level: str | None) -> Verdict:
    empty = {field.name: None for field in fields(Verdict)}
    return Verdict(**empty | {"found": found, "factor": factor, "level": level, "text": "the text"})  # type: ignore[arg-type]


def test_reasons_to_look_first_at_one_part_are_one_job() -> None:
    verdict = _verdict("found", "lot", "L7")
    risk = pd.DataFrame({"unit_id": ["A", "Z"], "position": ["main.joint.1", "main.joint.1"]})
    cluster = _answer(Cluster, verdict=verdict, at_risk=risk)
    units = pd.DataFrame(
        {"unit_id": ["A", "C"], "position": ["main.joint.1", "main.joint.2"], "probability": [0.61, 0.2]}
    )
    forecast = _answer(Forecast, units=units)
    work = _work(_history(), cluster=cluster, forecast=forecast)
    row = _row(work, "A", "inspect")
    assert row["why"] == "found cluster: lot L7; 61 % chance of failing in the months forecast"
    assert (row["status"], row["due_date"]) == ("look_first", AS_OF)
    assert "Z" not in set(work["unit_id"])


def test_a_cluster_that_is_nothing_asks_for_no_work() -> None:
    verdict = _verdict("nothing", None, None)
    risk = pd.DataFrame({"unit_id": ["A"], "position": ["main.joint.1"]})
    work = _work(_history(), cluster=_answer(Cluster, verdict=verdict, at_risk=risk))
    assert "inspect" not in set(work["task"])


def test_a_flagged_truck_is_looked_at_as_a_whole() -> None:
    units = pd.DataFrame(
        {
            "unit_id": ["A", "B"],
            "component": ["joint", "joint"],
            "observed": [5, 1],
            "expected": [0.8, 0.9],
            "flagged": [True, False],
        }
    )
    row = _row(_work(_history(), early=_answer(EarlyFailures, units=units)), "A", "inspect")
    assert row["position"] is None
    assert row["why"] == "5 joint failures where 0.8 are expected"
    assert row["minutes"] == 20  # two shafts


def test_planned_replacement_is_due_by_age_but_never_overdue() -> None:
    planned = pd.DataFrame(
        {"component": ["joint"], "duty_cycle": ["vocational"], "policy": ["replace at age"], "replace_at": [82_000.0]}
    )
    work = _work(_history(), recommendation=_recommendation(replacement=planned))
    jobs = work[work["task"] == "replace_planned"]
    assert len(jobs) == 12
    assert set(zip(jobs["due_miles"], jobs["due_date"], jobs["status"], strict=True)) == {
        (102_000.0, date(2026, 7, 20), "soon")
    }
    past = _work(_history(), recommendation=_recommendation(replacement=planned.assign(replace_at=50_000.0)))
    assert set(past.loc[past["task"] == "replace_planned", "status"]) == {"due"}
    kept = _work(_history(), recommendation=_recommendation(replacement=planned.assign(policy="run to failure")))
    assert "replace_planned" not in set(kept["task"])


def test_a_truck_comes_in_once_in_the_week_of_its_first_job() -> None:
    # 30 June 2026 is a Tuesday; C's regrease is due in 20 days, but a part of it is to be looked at now
    units = pd.DataFrame({"unit_id": ["C"], "position": ["main.joint.2"], "probability": [0.9]})
    work = _work(_history(), forecast=_answer(Forecast, units=units))
    assert set(work.loc[work["unit_id"] == "C", "week"]) == {date(2026, 6, 29)}
    assert _row(_work(_history()), "C")["week"] == date(2026, 7, 20)
    assert _row(work, "B")["week"] == date(2026, 6, 29)  # overdue: this week, not a week gone by


def test_weeks_and_shops_follow_one_another() -> None:
    made = _list(_history())
    assert made.work["week"].is_monotonic_increasing
    assert list(made.weeks.columns) == ["shop", "week", "trucks", "jobs", "minutes", "replacements"]
    assert made.weeks["jobs"].sum() == len(made.work)
    first = made.work[made.work["week"] == made.work["week"].iloc[0]]
    assert first["shop"].is_monotonic_increasing


def test_shops_hold_every_job_once() -> None:
    made = _list(_history())
    assert made.shops["jobs"].sum() == len(made.work)
    assert made.shops["minutes"].sum() == made.work["minutes"].sum()


def test_a_lives_file_has_no_work_list() -> None:
    history = make_history(make_lives(np.array([1.0, 2.0]), np.array([1, 0])))
    made = list_work(history, recommendation=None, early=None, cluster=None, wear=None, forecast=None, level=0.9)
    assert isinstance(made, Unanswered)


def _unfold(text: str) -> list[str]:
    return text.replace("\r\n ", "").split("\r\n")


def test_the_calendar_follows_rfc_5545() -> None:
    made = _list(_history(), wear=_wear("past the limit"))
    text = work_calendar(made)
    assert text.endswith("END:VCALENDAR\r\n")
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    lines = _unfold(text)
    assert lines[:3] == ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//wearlab//work list//EN"]
    assert lines.count("BEGIN:VEVENT") == lines.count("END:VEVENT") == len(made.work)
    assert len({line for line in lines if line.startswith("UID:")}) == len(made.work)
    assert "DTSTART;VALUE=DATE:20260629" in lines
    assert "DTSTAMP:20260630T000000Z" in lines


def test_the_calendar_escapes_what_the_data_says() -> None:
    history = _history(shop=["no;rth, \\ yard\nBEGIN:VEVENT", "south", "north", "south"])
    lines = _unfold(work_calendar(_list(history)))
    assert lines.count("BEGIN:VEVENT") == 3
    assert "LOCATION:no\\;rth\\, \\\\ yard\\nBEGIN:VEVENT" in lines


@pytest.mark.parametrize("unit", ["ü" * 60, "long " * 30])
def test_long_names_are_folded_between_characters(unit: str) -> None:
    history = _history()
    named = {name: getattr(history, name).assign(unit_id=unit) for name in ("units", "stops", "lives")}
    one = {name: table.iloc[:1] if name != "lives" else table for name, table in named.items()}
    text = work_calendar(_list(replace(history, **one)))
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    assert any(unit.strip() in line for line in _unfold(text))

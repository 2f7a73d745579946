"""A history as it was known on an earlier day: rows written down later, and later snapshots, do not enter it."""

from datetime import date
from typing import Any

import pandas as pd
import pytest

from tests.fleet_rows import CONFIG, NEW, changed, empty_store, fill_store, history_from, place, reading, truck
from wearlab.history.lives import History
from wearlab.history.store import Store

DAY = date(2021, 6, 30)


def _history(rows: dict[str, Any], files: dict[int, date] | None = None, *, known_then: bool = True) -> History:
    usual = {
        "units": [truck()],
        "positions": [place()],
        "readings": [reading("2021-01-01", 30_000.0), reading("2021-12-31", 73_000.0)],
    }
    with empty_store() as store:
        store.run("store_files")
        _load(store, files or {})
        fill_store(store, {**usual, **rows})
        return history_from(store, config=CONFIG, as_of=DAY, known_then=known_then)


def _load(store: Store, files: dict[int, date]) -> None:
    for number, day in files.items():
        store.execute(
            "insert into files (file_id, table_name, name, loaded_at) values ($f, 'units', $n, $d)",
            {"f": number, "n": f"units-{number}.csv", "d": day},
        )


def _said(column: str, day: str) -> dict[str, Any]:
    return {"attributes": {column: day}}


@pytest.mark.parametrize("column", ["posted_date", "updated_at", "snapshot_date"])
def test_a_later_snapshot_of_a_truck_is_not_read(column: str) -> None:
    first, later = _said(column, "2020-02-01"), _said(column, "2022-05-01T08:00:00")
    units = [truck(**first), truck(duty_cycle="vocational", **later)]
    assert _history({"units": units}).units["duty_cycle"].tolist() == ["line_haul"]
    assert _history({"units": units[::-1]}).units["duty_cycle"].tolist() == ["line_haul"]
    assert _history({"units": units}, known_then=False).units["duty_cycle"].tolist() == ["vocational"]


def test_of_snapshots_known_then_the_latest_is_read() -> None:
    units = [
        truck(duty_cycle=duty, **_said("snapshot_date", day))
        for duty, day in (("line_haul", "2020-02-01"), ("regional", "2021-05-01"), ("vocational", "2021-07-01"))
    ]
    assert _history({"units": units}).units["duty_cycle"].tolist() == ["regional"]


def test_without_a_day_of_its_own_a_row_is_known_from_the_loading_of_its_file() -> None:
    units = [truck(file_id=1), truck(duty_cycle="vocational", file_id=2)]
    grown = {1: date(2020, 5, 1), 2: date(2022, 5, 1)}
    assert _history({"units": units}, grown).units["duty_cycle"].tolist() == ["line_haul"]
    both = {1: date(2020, 5, 1), 2: date(2021, 5, 1)}
    assert _history({"units": units}, both).units["duty_cycle"].tolist() == ["vocational"]


def test_of_rows_all_loaded_later_the_first_file_is_read() -> None:
    units = [truck(file_id=1), truck(duty_cycle="vocational", file_id=2)]
    assert _history({"units": units}, {1: date(2026, 1, 1), 2: date(2026, 1, 1)}).units["duty_cycle"][0] == "line_haul"


def test_a_correction_within_one_file_holds() -> None:
    units = [truck(file_id=1), truck(duty_cycle="vocational", file_id=1)]
    assert _history({"units": units}, {1: date(2026, 1, 1)}).units["duty_cycle"][0] == "vocational"


def test_a_retirement_told_only_later_had_not_happened_yet() -> None:
    gone = {"out_of_service_date": date(2021, 6, 1)}
    units = [truck(**_said("posted_date", "2020-02-01")), truck(**gone, **_said("posted_date", "2021-08-01"))]
    assert _history({"units": units}).units["in_service"].tolist() == [True]
    assert _history({"units": units}, known_then=False).units["in_service"].tolist() == [False]


def test_a_later_snapshot_of_a_place_is_not_read() -> None:
    places = [
        place(hardware="greaseable", **_said("snapshot_date", "2020-02-01")),
        place(hardware="sealed", **_said("snapshot_date", "2022-02-01")),
    ]
    assert set(_history({"positions": places}).lives["hardware"]) == {"greaseable"}
    assert set(_history({"positions": places}, known_then=False).lives["hardware"]) == {"sealed"}


def test_a_place_as_it_was_fitted_later_does_not_hide_the_place_as_it_was() -> None:
    places = [place(file_id=1), place(file_id=2, installed_date=date(2021, 9, 1), installed_miles=50_000.0)]
    made = _history({"positions": places}, {1: date(2020, 5, 1), 2: date(2021, 5, 1)})
    assert made.lives["start_date"].tolist() == [pd.Timestamp(NEW)]


def test_a_reading_and_a_change_of_class_posted_later_do_not_count() -> None:
    late = _said("posted_date", "2021-08-01")
    rows = {
        "readings": [reading("2021-01-01", 30_000.0), reading("2021-06-01", 45_000.0, **late)],
        "duty_changes": [{"unit_id": "T1", "date": date(2021, 3, 1), "duty_cycle": "vocational", **late}],
    }
    then, now = _history(rows), _history(rows, known_then=False)
    assert (then.units["last_miles"][0], now.units["last_miles"][0]) == (30_000.0, 45_000.0)
    assert (then.units["duty_cycle"][0], now.units["duty_cycle"][0]) == ("line_haul", "vocational")


def test_the_tables_of_the_store_are_as_before_afterwards() -> None:
    with empty_store() as store:
        later = truck(duty_cycle="vocational", **_said("posted_date", "2022-01-01"))
        fill_store(store, {"units": [truck(), later], "positions": [place()], "readings": [reading("2021-01-01", 1e4)]})
        for _ in range(2):
            history_from(store, config=CONFIG, as_of=DAY, known_then=True)
        assert store.count("units") == 2


def test_a_failure_posted_late_is_not_known_on_its_day() -> None:
    rows = {"services": [changed("2021-05-01", posted_date=date(2021, 7, 15))]}
    assert _history(rows).lives["failed"].sum() == 0
    assert _history(rows, known_then=False).lives["failed"].sum() == 1

"""A fleet written down as literal rows, put into a store in memory, and the History made of it."""

import itertools
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from typing import Any

from wearlab.history.config import FleetConfig
from wearlab.history.contract import find_table
from wearlab.history.lives import History, build_history
from wearlab.history.load_repeats import log_all_changes
from wearlab.history.store import Store, open_store, quote_name

TABLES = ("units", "positions", "services", "readings", "duty_changes", "lube_plan", "measurements")
Rows = Mapping[str, Sequence[Mapping[str, Any]]]
TODAY = date(2030, 1, 1)
CONFIG = FleetConfig(records_from=date(2020, 1, 1), same_event_days=7, same_event_miles=500.0)
NEW = date(2020, 1, 1)  # a truck in service on the first day of the record
_ids = itertools.count()


@contextmanager
def empty_store() -> Iterator[Store]:
    """Open a store in memory with the tables of a fleet, all empty."""
    with open_store(":memory:") as store:
        store.connection.execute("set threads = 1")
        for table in TABLES:
            store.run(f"store_{table}")
        store.run("store_changes")
        yield store


def fill_store(store: Store, rows: Rows) -> None:
    """Put rows in place of whatever the store holds; ``row_id`` is their order unless they say another."""
    for table in TABLES:
        store.connection.execute(f"delete from {table}")
        for row_id, row in enumerate(rows.get(table, ())):
            full = {"row_id": row_id, "attributes": {}, **row}
            names = ", ".join(quote_name(name) for name in full)
            holes = ", ".join("?" for _ in full)
            store.connection.execute(f"insert into {table} ({names}) values ({holes})", list(full.values()))
    log_all_changes(store, find_table("services"))  # as every load does


def history_from(store: Store, *, config: FleetConfig, **options: Any) -> History:
    """Return the History of a filled store; the options of build_history, with defaults fit for tests."""
    asked = {"source": "test", "files": (), "as_of": None, "scale": None, "level": 0.9, "today": TODAY, **options}
    return build_history(store, config, progress=lambda _: None, **asked)


def history_of(rows: Rows, *, config: FleetConfig, **options: Any) -> History:
    """Return the History of literal rows."""
    with empty_store() as store:
        fill_store(store, rows)
        return history_from(store, config=config, **options)


def truck(unit_id: str = "T1", **more: Any) -> dict[str, Any]:
    return {"unit_id": unit_id, "duty_cycle": "line_haul", "in_service_date": NEW, **more}


def place(position: str = "j1", component: str = "joint", unit_id: str = "T1", **more: Any) -> dict[str, Any]:
    return {"unit_id": unit_id, "position": position, "component": component, **more}


def reading(day: str, miles: float, unit_id: str = "T1", **more: Any) -> dict[str, Any]:
    return {"unit_id": unit_id, "date": date.fromisoformat(day), "miles": miles, **more}


def service(action: str, day: str, position: str | None = None, unit_id: str = "T1", **more: Any) -> dict[str, Any]:
    row = {"service_id": f"s{next(_ids)}", "unit_id": unit_id, "date": date.fromisoformat(day), "action": action}
    return {**row, "position": position, **more}


def changed(day: str, position: str | None = "j1", reason: str = "failure", **more: Any) -> dict[str, Any]:
    return service("replace", day, position, reason=reason, **more)


def history(store: Store, *, config: FleetConfig = CONFIG, rows: dict[str, Any], **options: Any) -> History:
    """Return the History of rows, with one truck, one joint and a last reading where the rows do not say others."""
    usual = {"units": [truck()], "positions": [place()], "readings": [reading("2021-12-31", 73_000.0)]}
    fill_store(store, {**usual, **rows})
    return history_from(store, config=config, **options)


def ends(history: History, position: str = "j1") -> list[tuple[float, float, bool, str]]:
    lives = history.lives.loc[history.lives["position"] == position]
    return [
        (round(life.entry, 6), round(life.exit, 6), life.failed, life.ending) for life in lives.itertuples(index=False)
    ]


def monthly(miles: list[float], **more: Any) -> list[dict[str, Any]]:
    """Return regrease stops on the first of each month of 2020 at the given miles."""
    return [service("regrease", f"2020-{month:02}-01", miles=at, **more) for month, at in enumerate(miles, 1)]

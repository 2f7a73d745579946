"""The same lives whatever way the rows came: in one load or in many, by any number of threads, in pieces or whole."""

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.fleet_rows import empty_store, fill_store, history_from
from tests.same_tables import differences
from tests.test_lives_random import make_history, trucks
from wearlab.demo import write_demo
from wearlab.history import pieces
from wearlab.history.config import FleetConfig
from wearlab.history.contract import find_table
from wearlab.history.lives import History, build_history
from wearlab.history.load_repeats import log_all_changes
from wearlab.history.source import open_fleet
from wearlab.history.store import Store, quote_name

TABLES = ("lives", "episodes", "gaps", "stops", "units", "plan", "measurements", "left_out", "groups", "meters")
TODAY = date(2026, 11, 24)


def differing(one: History, other: History, *, relative: float = 0.0) -> dict[str, list[str]]:
    found = {name: differences(getattr(one, name), getattr(other, name), relative=relative) for name in TABLES}
    return {name: said for name, said in found.items() if said}


def load(folder: Path, store: Path) -> FleetConfig:
    with open_fleet(folder, store_path=str(store), today=TODAY, strict=False, progress=lambda _: None) as fleet:
        return fleet.config


def history_in(store: Path, config: FleetConfig, *, threads: int = 1, said: list[str] | None = None) -> History:
    """Build the History of a loaded store by so many threads; nothing temporary stays behind."""
    with duckdb.connect(str(store), read_only=True, config={"threads": threads}) as connection:
        opened = Store(str(store), connection)
        heard = [] if said is None else said
        made = build_history(
            opened, config, source="fleet", files=(), as_of=None, scale=None, level=0.9, today=TODAY,
            progress=heard.append,
        )  # fmt: skip
        assert opened.rows("select table_name from duckdb_tables() where temporary") == []
        return made


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, FleetConfig]:
    folder = tmp_path_factory.mktemp("fleet")
    write_demo(folder / "fleet", seed=5, trucks=60)
    return folder, load(folder / "fleet", folder / "store")


@pytest.fixture(scope="module")
def whole(demo: tuple[Path, FleetConfig]) -> History:
    folder, config = demo
    return history_in(folder / "store", config)


@pytest.mark.parametrize("threads", [2, 8])
def test_any_number_of_threads_gives_the_same_bytes(
    demo: tuple[Path, FleetConfig], whole: History, threads: int
) -> None:
    folder, config = demo
    assert differing(history_in(folder / "store", config, threads=threads), whole) == {}


@pytest.mark.parametrize("rows", [150, 1_500])
def test_a_fleet_in_pieces_is_the_fleet_as_a_whole(
    demo: tuple[Path, FleetConfig], whole: History, rows: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pieces, "PIECE_ROWS", rows)
    folder, config = demo
    said: list[str] = []
    made = history_in(folder / "store", config, said=said)
    assert any("piece 3 of" in line for line in said)
    assert differing(made, whole, relative=1e-12) == {}
    assert made.cautions == whole.cautions
    assert made.factors == whole.factors


def test_rows_in_another_order_give_the_same_lives(
    demo: tuple[Path, FleetConfig], whole: History, tmp_path: Path
) -> None:
    """Every file back to front, and under names that load in another order."""
    for path in (demo[0] / "fleet").iterdir():
        if path.suffix == ".csv":
            header, *rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
            mirrored = [header, *[row if row.endswith("\n") else row + "\n" for row in reversed(rows)]]
            stem, _, year = path.stem.partition("-")
            name = f"{stem}-{9999 - int(year)}.csv" if year else path.name
            (tmp_path / name).write_text("".join(mirrored), encoding="utf-8")
        elif path.suffix == ".toml":
            (tmp_path / path.name).write_bytes(path.read_bytes())
    config = load(tmp_path, tmp_path / "store")
    assert differing(history_in(tmp_path / "store", config), whole, relative=1e-12) == {}


@settings(
    max_examples=8, deadline=None, derandomize=True, database=None, phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)  # fmt: skip
@given(data=st.data())
def test_rows_that_come_in_many_loads_with_corrections_and_one_taken_out_give_the_lives_of_one_load(
    store: Store, data: st.DataObject
) -> None:
    """What was asked before leaves nothing in the store that the next question could see."""
    rows = data.draw(st.builds(merged, trucks("T0"), trucks("T1")))
    wrong = [{**row, "miles": 1.0, "action": "replace", "reason": "failure"} for row in rows["services"][::3]]
    asked = {
        "records_from": date(2020, 1, 1), "as_of": date(2021, 12, 31), "scale": "miles", "same_event_days": 7,
        "same_event_miles": 500.0, "unknown_as_failure": False, "known_then": False,
    }  # fmt: skip
    wanted = make_history(store, rows, asked)
    fill_store(store, {"units": rows["units"], "positions": rows["positions"]})
    parts = data.draw(st.integers(1, 3))
    right = [
        (table, {**row, "row_id": 1_000 + number, "file_id": 2})
        for table in ("services", "readings", "duty_changes", "lube_plan")
        for number, row in enumerate(rows[table])
    ]
    stray = {"unit_id": "T0", "date": date(2021, 6, 1), "miles": 5.0, "row_id": 9_000, "file_id": 3}
    loads = [
        [("services", {**row, "row_id": number, "file_id": 1}) for number, row in enumerate(wrong)],
        *(right[n::parts] for n in range(parts)),
        [("readings", stray)],
    ]
    for rows_of_load in loads:
        for table, row in rows_of_load:
            add_row(store, table, row)
        log_all_changes(store, find_table("services"))  # as every load does
        if data.draw(st.booleans()):
            history_again(store, asked)
    store.execute("delete from readings where file_id = 3")
    found = history_again(store, asked)
    assert differing(found, wanted, relative=1e-12) == {}


def merged(*parts: dict[str, list[dict[str, Any]]]) -> dict[str, list[dict[str, Any]]]:
    return {table: [row for part in parts for row in part[table]] for table in parts[0]}


def add_row(store: Store, table: str, row: dict[str, Any]) -> None:
    full = {"attributes": {}, **row}
    names = ", ".join(quote_name(name) for name in full)
    holes = ", ".join("?" for _ in full)
    store.connection.execute(f"insert into {table} ({names}) values ({holes})", list(full.values()))


def history_again(store: Store, asked: dict[str, Any]) -> History:
    config = FleetConfig(records_from=asked["records_from"], same_event_days=7, same_event_miles=500.0)
    return history_from(store, config=config, as_of=asked["as_of"], scale=asked["scale"])


@pytest.fixture(scope="module")
def store() -> Iterator[Store]:
    with empty_store() as opened:
        yield opened

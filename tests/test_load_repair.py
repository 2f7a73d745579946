"""Increment and repair: order and split of files, corrections with their log, unloading, faults that lose nothing."""

import os
import random
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fleet_files import TODAY, TOML, account, load_into, write_folder
from wearlab.evidence import DataError
from wearlab.history.source import View, read_source
from wearlab.history.steps import read_step
from wearlab.history.store import IN_MEMORY, Store, open_store
from wearlab.history.unload import unload_file

HEADER = "service_id,unit_id,date,miles,action,position,reason,shop,updated_at\n"
ROWS = [
    *(f"S{n},T1,20{20 + n % 4}-0{1 + n % 9}-15,{9000 * n + 100},regrease,,,north,\n" for n in range(1, 12)),
    "R1,T1,2021-03-02,14000,replace,main.joint.1,failure,south,\n",
    "R2,T1,2022-06-02,52000,replace,main.joint.2,planned,north,\n",
    "R3,T2,2022-06-02,21000,replace,main.boot,failure,south,\n",
]
READINGS = [f"T{1 + n % 2},202{n % 4}-1{n % 3}-01,{3000 * (n + 1)}\n" for n in range(20)]


def lives_of(folder: Path) -> str:
    view = View(None, None, 0.9, TODAY, unknown_as_failure=False)
    history, _ = read_source(folder, view, store_path=IN_MEMORY, progress=lambda _: None)
    tables = (history.lives, history.episodes, history.gaps, history.meters, history.groups, history.units)
    return "\n".join(table.to_csv(index=False) for table in tables)


@settings(max_examples=5, deadline=None)
@given(seed=st.integers(0, 10_000), pieces=st.integers(1, 6))
def test_any_order_and_split_of_the_files_gives_the_same_bytes(
    tmp_path_factory: pytest.TempPathFactory, seed: int, pieces: int
) -> None:
    draw = random.Random(seed)  # noqa: S311 - an order of rows, no secret
    top = tmp_path_factory.mktemp("split")
    rows, readings = draw.sample(ROWS, len(ROWS)), draw.sample(READINGS, len(READINGS))
    files = {f"services-{n}": HEADER + "".join(rows[n::pieces]) for n in range(pieces)}
    files |= {f"readings-{n}": "unit_id,date,miles\n" + "".join(readings[n::pieces]) for n in range(pieces)}
    split = write_folder(top / "split", services=None, readings=None, **files)
    whole = write_folder(
        top / "whole", services=HEADER + "".join(ROWS), readings="unit_id,date,miles\n" + "".join(READINGS)
    )
    assert lives_of(split) == lives_of(whole)


def test_exports_that_arrive_month_by_month_come_out_as_one_load_of_all(tmp_path: Path) -> None:
    folder, path = write_folder(tmp_path / "f", services=HEADER + "".join(ROWS[:5])), tmp_path / "s.duckdb"
    for number in range(3):
        (folder / f"services-{number}.csv").write_text(HEADER + "".join(ROWS[5 + 3 * number : 8 + 3 * number]))
        with open_store(str(path)) as store:
            load_into(folder, store)
            grown = store.rows("select * exclude (row_id, file_id, line) from services order by all")
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        assert store.rows("select * exclude (row_id, file_id, line) from services order by all") == grown


def changes(store: Store) -> list[tuple[object, ...]]:
    return store.rows("select table_name, key, place, line, by_line from changes order by all")


def test_a_correction_is_logged_and_the_log_follows_what_is_loaded_and_unloaded(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        assert changes(store) == []
        header = "service_id,unit_id,date,miles,action,updated_at\n"
        row = "S1,T1,2020-01-01,{},regrease,{}\n"
        (folder / "services-2.csv").write_text(header + row.format(1001, "2024-05-01") + row.format(1002, "2024-04-01"))
        loaded = load_into(folder, store)
        assert changes(store) == [("services", "S1", 2, 3, 2), ("services", "S1", 3, 2, 2)]
        assert list(loaded.changes["key"]) == ["S1", "S1"]
        (folder / "services-3.csv").write_text(header + row.format(1003, "2024-06-01"))
        load_into(folder, store)
        assert [by for *_, by in changes(store)] == [2, 2, 2]
        assert unload_file(store, "services-3.csv") == 1
        assert changes(store) == [("services", "S1", 2, 3, 2), ("services", "S1", 3, 2, 2)]
        unload_file(store, "services-2.csv")
        assert changes(store) == []


def test_a_load_and_an_unload_say_which_trucks_they_touched(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")

    def touched(store: Store) -> dict[str | None, int]:
        last = store.number("select value::bigint from facts where name = 'change'")
        return dict(store.rows("select unit_id, change_number from touched where change_number = $n", {"n": last}))

    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        assert set(touched(store)) == {"T1", "T2"}
        (folder / "readings-2.csv").write_text("unit_id,date,miles\nT2,2022-01-01,9000\n")
        load_into(folder, store)
        assert set(touched(store)) == {"T2"}
        load_into(folder, store)
        assert touched(store) == {}
        unload_file(store, "readings-2.csv")
        assert set(touched(store)) == {"T2"}
        (folder / "lube_plan.csv").write_text("duty_cycle,from_date,interval_miles\nline_haul,2020-01-01,15000\n")
        load_into(folder, store)
        assert None in touched(store)


def test_split_orders_stay_loaded_as_rows_of_their_own(tmp_path: Path) -> None:
    row = "A{},T1,2021-03-0{},14000,replace,main.joint.1,failure,south,\n"
    rows = row.format(1, 2) + row.format(2, 4)
    folder = write_folder(tmp_path / "f", services=HEADER + rows)
    with open_store(IN_MEMORY) as store:
        assert account(load_into(folder, store))["services"] == (2, 2, 0, 0)
        assert changes(store) == []


def test_two_readers_see_the_store_at_once_and_a_writer_is_refused_beside_them(tmp_path: Path) -> None:
    folder, path = write_folder(tmp_path / "f"), tmp_path / "s.duckdb"
    with open_store(str(path)) as store:
        load_into(folder, store)
    code = (
        "import sys\nfrom wearlab.history.store import open_store\nfrom wearlab.evidence import DataError\n"
        "try:\n    with open_store(sys.argv[1], read_only=sys.argv[2] == 'read') as store:\n"
        "        print(store.count('services'), flush=True)\n        sys.stdin.readline()\n"
        "except DataError as error:\n    print(error.code)\n"
    )

    def start(kind: str) -> "subprocess.Popen[str]":
        return subprocess.Popen(
            [sys.executable, "-c", code, str(path), kind], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    readers = [start("read"), start("read")]
    assert [reader.stdout.readline().strip() for reader in readers if reader.stdout] == ["2", "2"]
    writer = start("write")
    assert writer.communicate("\n", timeout=60)[0].strip() == "store-locked"
    for reader in readers:
        reader.communicate("\n", timeout=60)
    first = start("write")
    assert first.stdout is not None
    assert first.stdout.readline().strip() == "2"
    for kind in ("read", "write"):  # beside one that writes nobody else may come in
        assert start(kind).communicate("\n", timeout=60)[0].strip() == "store-locked"
    first.communicate("\n", timeout=60)
    with open_store(str(path)) as store:
        assert store.count("services") == 2


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_folder_that_cannot_be_written_is_refused_in_one_line(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    folder.chmod(0o555)
    try:
        with pytest.raises(DataError), open_store(str(folder / "s.duckdb")):
            pass
    finally:
        folder.chmod(0o755)


def test_files_of_one_form_are_read_at_once_and_each_keeps_its_own_account(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wearlab.history.load_text.SMALLEST_BULK", 0)
    files = {
        f"services-{n:03}": HEADER
        + f"S{n},T1,2020-01-01,{n},regrease,,,,\nX{n},T1,2020-13-01,1,regrease,,,,\nshort,{n}\n"
        for n in range(20)
    }
    folder = write_folder(tmp_path / "f", services=None, **files)
    with open_store(IN_MEMORY) as store:
        loaded = load_into(folder, store)
        assert account(loaded)["services"] == (60, 20, 40, 0)
        assert set(loaded.set_aside["line"]) == {3, 4}
        rows = store.rows(
            "select s.service_id, f.name, s.line from services s join files f using (file_id) order by row_id"
        )
    assert rows == [(f"S{n}", f"services-{n:03}.csv", 2) for n in range(20)]


def test_the_account_of_a_file_is_kept_with_its_hash_day_and_version(tmp_path: Path) -> None:
    with open_store(IN_MEMORY) as store:
        load_into(write_folder(tmp_path / "f", TOML), store)
        rows = store.rows("select sha256, bytes, loaded_at, version from files order by file_id")
    assert all(
        len(sha) == 64 and size > 0 and day == date(2026, 11, 24) and version for sha, size, day, version in rows
    )


def test_rows_of_one_key_within_a_file_count_in_the_order_of_their_lines_whichever_way_they_were_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The first is read carefully (a blank at its edge), the second plainly: the second still replaces the first.
    rows = "S1,T1,2020-01-01, 5,regrease,,,,\nS1,T1,2020-01-01,6,regrease,,,,\nS1,T1,2020-01-01,5,regrease,,,,\n"
    folder, seen = write_folder(tmp_path / "f", services=HEADER + rows), []
    for smallest in (1 << 30, 0):
        monkeypatch.setattr("wearlab.history.load_text.SMALLEST_BULK", smallest)
        with open_store(IN_MEMORY) as store:
            load_into(folder, store)
            seen.append((changes(store), store.rows("select line, miles, row_id from services order by row_id")))
    assert seen[0] == seen[1]
    assert [line for line, _, _ in seen[0][1]] == [2, 3]
    assert seen[0][0] == [("services", "S1", 2, 2, 3)]


VERSIONS = st.tuples(
    st.sampled_from(["S1", "S2", "S 3", "S4"]), st.integers(1, 4), st.sampled_from(["", "2020-02-01", "2023-02-01"]),
    st.sampled_from(["", "2020-01-20", "2023-01-20"]),
)  # fmt: skip


@settings(max_examples=15, deadline=None)
@given(loads=st.lists(st.lists(VERSIONS, min_size=1, max_size=6), min_size=1, max_size=3))
def test_the_log_of_changes_tells_the_ids_that_all_keys_compared_tell(
    tmp_path_factory: pytest.TempPathFactory, loads: list[list[tuple[str, int, str, str]]]
) -> None:
    folder = write_folder(tmp_path_factory.mktemp("versions") / "f", services=None)
    with open_store(IN_MEMORY) as store:
        for number, rows in enumerate(loads):
            lines = (f"{key},T1,2020-01-1{day},inspect,{updated},{posted}\n" for key, day, updated, posted in rows)
            header = "service_id,unit_id,date,action,updated_at,posted_date\n"
            (folder / f"services-{number}.csv").write_text(header + "".join(lines))
            load_into(folder, store)
        if len(loads) > 1:
            unload_file(store, "services-0.csv")
        one, other = (sorted(store.rows(read_step(name))) for name in ("repeated", "repeated_logged"))
    assert one == other

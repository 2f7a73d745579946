"""Memory bounded by a setting, and what does not fit spilled and cleaned up."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.fleet_files import account, load_into, write_folder
from wearlab.evidence import DataError
from wearlab.history.spill import Room, share_memory, spill_folder
from wearlab.history.store import IN_MEMORY, open_store


def left_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if path.name.startswith(".wearlab-spill"))


def spill_something(room: Room) -> list[str]:
    with open_store(IN_MEMORY, room=room) as store:
        assert room.spill is not None
        store.execute("create temp table wide as select range as a, repeat('x', 200) || range as b from range(1500000)")
        return left_in(room.spill)


def test_what_does_not_fit_is_spilled_into_the_folder_given_and_taken_away_afterwards(tmp_path: Path) -> None:
    folder = tmp_path / "spill"
    assert len(spill_something(Room("150MB", folder))) == 1
    assert left_in(folder) == []


def test_what_a_killed_run_left_is_taken_away_at_the_next_start(tmp_path: Path) -> None:
    code = "import os; os._exit(0)"
    gone = subprocess.Popen([sys.executable, "-c", code])
    gone.wait()
    dead, other = tmp_path / f".wearlab-spill-{gone.pid}-0123abcd", tmp_path / ".wearlab-spill-notes"
    alive = tmp_path / f".wearlab-spill-{os.getppid()}-0123abcd"
    for folder in (dead, other, alive):
        folder.mkdir()
        (folder / "block").write_text("x")
    with spill_folder(tmp_path):
        assert left_in(tmp_path) == sorted([alive.name, other.name])


def test_a_limit_that_is_none_is_refused() -> None:
    assert share_memory(" 1.5GB ") == "1275MB"
    for text in ("", "1", "99MB", "-1GB", "1GB; drop", "lots"):
        with pytest.raises(DataError):
            share_memory(text)


def test_a_file_in_place_of_the_spill_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("x")
    with pytest.raises(DataError) as caught, open_store(IN_MEMORY, room=Room("1GB", tmp_path / "taken")):
        pass
    assert caught.value.code == "bad-spill"


def test_a_load_in_little_memory_comes_out_the_same(tmp_path: Path) -> None:
    rows = "".join(f"S{n},T1,2020-01-01,{n},regrease,{'note ' * 40}{n}\n" for n in range(60_000))
    folder = write_folder(tmp_path / "f", services="service_id,unit_id,date,miles,action,note\n" + rows)
    with open_store(str(tmp_path / "s.duckdb"), room=Room("100MB", tmp_path / "spill")) as store:
        assert account(load_into(folder, store))["services"] == (60_000, 60_000, 0, 0)
        assert store.row("select count(distinct row_id), min(line), max(line) from services") == (60_000, 2, 60_001)
    assert left_in(tmp_path / "spill") == []

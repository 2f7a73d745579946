"""Whether a store is sound: what is looked at, what is found, and with what status."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.fleet_files import load_into, write_folder
from wearlab.cli import run
from wearlab.evidence import DataError
from wearlab.history.check import check_store
from wearlab.history.store import STORE_TABLES, open_store

BAD = "service_id,unit_id,date,miles,action\nS1,T1,2020-01-01,1000.5,regrease\nS2,T1,never,9000,inspect\nS3,T1\n"


@pytest.fixture
def loaded(tmp_path: Path) -> Path:
    """The store of a small fleet folder, some rows of which were set aside."""
    folder = write_folder(tmp_path / "fleet", services=BAD)
    with open_store(str(folder / "wearlab.duckdb")) as store:
        load_into(folder, store)
    return folder / "wearlab.duckdb"


def spoil(path: Path, statement: str) -> None:
    with open_store(str(path)) as store:
        store.execute(statement)


def found(path: Path) -> set[tuple[str, str]]:
    findings = check_store(path).findings
    return set(zip(findings["table"], findings["check"], strict=True))


def test_a_store_as_it_was_loaded_is_sound(loaded: Path) -> None:
    checked = check_store(loaded)
    assert checked.sound
    assert list(checked.checked["table"]) == list(STORE_TABLES)
    assert dict(checked.checked.itertuples(index=False))["services"] == 1


def test_checking_leaves_the_store_to_the_byte(loaded: Path) -> None:
    before = loaded.read_bytes()
    check_store(loaded)
    assert loaded.read_bytes() == before
    assert not list(loaded.parent.glob("*.wal"))


@pytest.mark.parametrize(
    ("statement", "finding"),
    [
        ("update files set rows_read = rows_read + 1 where table_name = 'units'", ("files", "ledger")),
        ("delete from readings where unit_id = 'T1'", ("readings", "ledger")),
        ("update readings set file_id = 99", ("readings", "ledger")),
        ("delete from set_aside", ("set_aside", "ledger")),
        ("update positions set row_id = 0", ("positions", "row-numbers")),
        ("update positions set line = null", ("positions", "row-numbers")),
        (
            "update positions set unit_id = 'T1', position = 'main.joint.1', component = 'joint'",
            ("positions", "repeated-rows"),
        ),
        ("update services set action = 'dance'", ("services", "values")),
        ("update readings set miles = -1", ("readings", "values")),
        ("update readings set miles = 'nan'::double", ("readings", "values")),
        ("update units set duty_cycle = null", ("units", "values")),
        ("alter table units drop column axle_ratio", ("units", "columns")),
    ],
)
def test_what_is_not_as_it_must_be_is_found(loaded: Path, statement: str, finding: tuple[str, str]) -> None:
    spoil(loaded, statement)
    assert finding in found(loaded)


def test_a_damaged_page_is_found(loaded: Path) -> None:
    content = bytearray(loaded.read_bytes())
    for start in range(3 * 4096, len(content), 1000):
        content[start] ^= 0xFF
    loaded.write_bytes(content)
    assert {check for _, check in found(loaded)} == {"unreadable"}
    assert run(["check", str(loaded)]) == 1
    assert run(["lives", str(loaded.parent)]) == 2


def test_a_store_cut_short_is_found(loaded: Path) -> None:
    loaded.write_bytes(loaded.read_bytes()[:-1])
    assert {check for _, check in found(loaded)} == {"unreadable"}


def test_a_store_left_by_a_killed_run_is_sound(loaded: Path) -> None:
    code = (
        "import os, sys\nfrom wearlab.history.store import open_store\nwith open_store(sys.argv[1]) as store:\n"
        "    with store.transaction():\n        store.execute('delete from readings')\n"
        "        os.kill(os.getpid(), 9)\n"
    )
    assert subprocess.run([sys.executable, "-c", code, str(loaded)], check=False).returncode == -9
    assert check_store(loaded).sound


@pytest.mark.parametrize("kind", ["nothing", "text", "other database"])
def test_what_is_no_store_is_refused(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    if kind == "text":
        path.write_text("not a database" * 1000, encoding="utf-8")
    elif kind == "other database":
        with open_store(str(path)) as store:
            store.execute("create table mine as select 1 as x")
    with pytest.raises(DataError):
        check_store(path)
    assert run(["check", str(path)]) == 2


def test_the_command_says_sound_with_status_0_and_unsound_with_status_1(
    loaded: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["check", str(loaded.parent)]) == 0
    assert "sound" in capsys.readouterr().out
    spoil(loaded, "delete from readings")
    assert run(["check", str(loaded), "--json"]) == 1
    seen = capsys.readouterr()
    document = json.loads(seen.out)
    assert document["sound"] is False
    assert document["findings"][0]["table"] == "readings"
    assert "Fix: " in seen.err

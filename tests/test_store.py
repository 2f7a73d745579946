"""The store: opened safely, changed wholly or not at all."""

import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from tests.fleet_files import READINGS, SERVICES, load_into, write_folder
from wearlab.evidence import DataError
from wearlab.history.contract import TABLES
from wearlab.history.store import IN_MEMORY, STORE_TABLES, create_tables, open_store, quote_name
from wearlab.history.unload import unload_file


def refused(path: Path) -> DataError:
    with pytest.raises(DataError) as caught, open_store(str(path)):
        pass
    assert "\n" not in str(caught.value)
    assert caught.value.fix
    return caught.value


def test_the_tables_of_the_store_have_the_columns_of_the_contract() -> None:
    with open_store(IN_MEMORY) as store:
        create_tables(store)
        for table in TABLES:
            kept = ["attributes", "row_id", "file_id", "line"]
            assert list(store.table(table.name).columns) == [*table.names, *kept]


def test_creating_the_tables_twice_changes_nothing() -> None:
    with open_store(IN_MEMORY) as store:
        create_tables(store)
        create_tables(store)
        assert [store.count(name) for name in STORE_TABLES] == [0] * (len(STORE_TABLES) - 1) + [1]


def test_a_name_with_quotes_stays_one_name() -> None:
    with open_store(IN_MEMORY) as store:
        odd = 'a"b; drop table units'
        store.execute(f"create table t ({quote_name(odd)} integer)")
        assert list(store.table("t").columns) == [odd]


def test_a_name_in_sql_is_never_a_python_variable() -> None:
    with open_store(IN_MEMORY) as store:
        frame = [1]
        with pytest.raises(RuntimeError, match="frame"):
            store.execute("select * from frame")
        assert frame == [1]


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    path.write_bytes(b"not a database" * 1000)
    assert refused(path).code == "store-unreadable"
    assert path.read_bytes() == b"not a database" * 1000


def test_a_database_of_something_else_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    with duckdb.connect(str(path)) as other:
        other.execute("create table mine as select 1 as x")
    assert refused(path).code == "store-unreadable"
    with duckdb.connect(str(path)) as other:
        assert other.execute("select table_name from duckdb_tables()").fetchall() == [("mine",)]


def test_a_store_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    with open_store(str(path)) as store:
        create_tables(store)
        store.execute("update facts set value = '99' where name = 'format'")
    assert refused(path).code == "store-version"


def test_a_truncated_store_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    with open_store(str(path)) as store:
        create_tables(store)
    path.write_bytes(path.read_bytes()[:5000])
    assert refused(path).code in {"store-unreadable", "store-failed", "store-damaged"}


def test_a_folder_in_place_of_the_store_is_refused(tmp_path: Path) -> None:
    assert refused(tmp_path).code == "store-unreadable"


def test_a_store_in_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    assert refused(tmp_path / "no" / "s.duckdb").code == "store-unreadable"


def test_a_store_that_another_process_holds_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "s.duckdb"
    holder = (
        "import sys\nfrom wearlab.history.store import open_store\n"
        "with open_store(sys.argv[1]):\n    print('held', flush=True)\n    sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", holder, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        assert refused(path).code == "store-locked"
        process.communicate("")


def test_a_failed_transaction_leaves_everything_as_it_was() -> None:
    with open_store(IN_MEMORY) as store:
        create_tables(store)

        def change_and_fail() -> None:
            with store.transaction():
                store.execute("insert into facts values ('x', 'y')")
                store.execute("select * from nothing_there")

        with pytest.raises(RuntimeError, match="nothing_there"):
            change_and_fail()
        assert store.count("facts") == 1


def test_unloading_a_file_takes_out_its_rows_alone(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", **{"readings-2": "unit_id,date,miles\nT1,2022-01-01,20000\n"})
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        assert unload_file(store, "readings-2.csv") == 1
        assert store.count("readings") == 2
        assert "readings-2.csv" not in set(store.table("files")["name"])
        assert load_into(folder, store).accounts["rows_loaded"].sum() == 1


def test_rows_that_another_file_repeats_come_back_after_unloading(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", **{"readings-2": READINGS + "T1,2022-01-01,20000\n"})
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        assert unload_file(store, "readings.csv") == 2
        assert store.count("readings") == 1
        (folder / "readings.csv").unlink()
        load_into(folder, store)
        assert store.count("readings") == 3


def test_unloading_what_was_never_loaded_is_refused_with_the_nearest_name(tmp_path: Path) -> None:
    with open_store(IN_MEMORY) as store:
        load_into(write_folder(tmp_path / "f"), store)
        with pytest.raises(DataError) as caught:
            unload_file(store, "reading.csv")
        assert "readings.csv" in caught.value.fix


def test_a_full_disk_leaves_the_store_as_it_was_and_says_so(tmp_path: Path) -> None:
    rows = "".join(f"S{number},T1,2020-01-01,{number},regrease\n" for number in range(10, 60_000))
    folder = write_folder(tmp_path / "f")
    path = tmp_path / "s.duckdb"
    with open_store(str(path)) as store:
        load_into(folder, store)
    write_folder(folder, services=SERVICES + rows)
    # No file of the process may grow beyond what the store has now: to the store that is a disk without room.
    program = (
        "import os, resource, signal, sys\nfrom pathlib import Path\nfrom tests.fleet_files import load_into\n"
        "from wearlab.evidence import DataError\nfrom wearlab.history.store import open_store\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "room = os.path.getsize(sys.argv[2]) + 4096\nresource.setrlimit(resource.RLIMIT_FSIZE, (room, room))\n"
        "try:\n    with open_store(sys.argv[2]) as store:\n        load_into(Path(sys.argv[1]), store)\n"
        "except DataError as error:\n    print(error.code)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(folder), str(path)], capture_output=True, text=True, check=False
    )
    assert done.stdout.split() == ["store-failed"], done.stderr
    with open_store(str(path)) as store:
        assert (store.count("services"), store.count("files")) == (2, 4)
        assert load_into(folder, store).accounts["rows_loaded"].sum() == 59_990

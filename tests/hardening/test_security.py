"""What hostile input and careless code could do to the machine: nothing beyond the named inputs and outputs."""

import ast
import csv
import gzip
import json
import os
import re
import subprocess
import sys
import zipfile
from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.fleet_files import load_into, write_folder
from tests.hardening.test_found import answer
from wearlab.asked import app
from wearlab.cli import run
from wearlab.demo import write_demo
from wearlab.evidence import DataError
from wearlab.history.config import FleetConfig
from wearlab.history.config_reader import read_config
from wearlab.history.load_files import open_file
from wearlab.history.load_rows import DataFile
from wearlab.history.source import open_fleet
from wearlab.history.store import open_store

SOURCE = Path(__file__).parents[2] / "wearlab"
EVIL = 'x"; drop table lives; --'
QUOTED = '"' + EVIL.replace('"', '""') + '"'
HOSTILE = {
    "vocational": "<script>alert(1)</script>",
    "regional": '=HYPERLINK("http://x","y")',
    "boot": "../../../boot",
}

# Written into sitecustomize.py, so that every process of a command refuses to open a socket to another machine.
NO_NETWORK = """
import os, sys
def refuse(event, arguments):
    if event.startswith("socket.") and not (event == "socket.__new__" and arguments[1] == 1):
        with open(os.environ["NETWORK_LOG"], "a") as out:
            out.write(f"{event} {arguments!r}\\n")
        raise PermissionError(f"the network: {event}")
sys.addaudithook(refuse)
"""


def hostile_fleet(folder: Path) -> Path:
    """An invented fleet whose names are attacks."""
    write_demo(folder, seed=3, trucks=3)
    for path in (folder / "truth.json", folder / "angles.csv"):  # so few trucks have no angles
        path.unlink()
    for path in folder.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            rows = [[HOSTILE.get(cell, cell) for cell in row] for row in csv.reader(stream)]
        if path.name.startswith("services"):
            at = rows[0].index("note")
            for row in rows[1:40]:
                row[at] = "\x1b[31m\u202e=1+1\nBEGIN:VEVENT"
        if path.name == "units.csv":
            rows[0].append(EVIL)
            for number, row in enumerate(rows[1:]):
                row.append(["+A", "@B", "-C"][number % 3])
        with path.open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows(rows)
    toml = (folder / "fleet.toml").read_text(encoding="utf-8")
    for name, text in HOSTILE.items():
        toml = re.sub(rf"(?m)^{name} =", f"{json.dumps(text)} =", toml)
        toml = re.sub(rf"\.{name}\]", f".{json.dumps(text)}]", toml).replace(f'"{name}"', json.dumps(text))
    (folder / "fleet.toml").write_text(toml, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def everything(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, tuple[int, str, str]]]:
    """Every command run on the hostile fleet in a process that must not reach the network: where, what they said."""
    place = tmp_path_factory.mktemp("hostile")
    hostile_fleet(place / "fleet")
    (place / "guard").mkdir()
    (place / "guard" / "sitecustomize.py").write_text(NO_NETWORK, encoding="utf-8")
    lines = {
        "demo": ["demo", "demo", "--trucks", "2"],
        "map": ["map", "fleet"],
        "explain": ["explain", "B10"],
        "fit": ["fit", "fleet", "--by", EVIL, "--out", "out/fit", "--picture", "out/paper.svg"],
        "due": ["due", "fleet", "--out", "out/due", "--calendar", "out/work.ics"],
        "report": ["report", "fleet", "--out", "out/report", "--sheet"],
        "unload": ["unload", "fleet", "readings.csv"],
        "check": ["check", "fleet"],
    }
    for command in app.registered_commands:
        name = command.name or command.callback.__name__
        lines.setdefault(name, [name, "fleet", "--out", f"out/{name}"])
    order = sorted(lines, key=lambda name: (name == "check", name == "unload", name))
    program = (
        "import contextlib, io, json, sys\nfrom wearlab.cli import run\n"
        "if __name__ == '__main__':\n    said = {}\n"
        "    for name, line in json.loads(sys.argv[1]):\n"
        "        out, err = io.StringIO(), io.StringIO()\n"
        "        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):\n"
        "            status = run(line)\n"
        "        said[name] = (status, out.getvalue(), err.getvalue())\n"
        "    print(json.dumps(said))\n"
    )
    (place / "program.py").write_text(program, encoding="utf-8")
    road = os.pathsep.join([str(place / "guard"), *filter(None, [os.environ.get("PYTHONPATH"), str(SOURCE.parent)])])
    done = subprocess.run(
        [sys.executable, str(place / "program.py"), json.dumps([(name, lines[name]) for name in order])],
        capture_output=True,
        text=True,
        cwd=place,
        check=False,
        timeout=600,
        env={**os.environ, "PYTHONPATH": road, "NETWORK_LOG": str(place / "network.log"), "COLUMNS": "160"},
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return place, json.loads(done.stdout)


def test_no_command_reaches_for_the_network(everything: tuple[Path, dict[str, tuple[int, str, str]]]) -> None:
    place, said = everything
    assert not (place / "network.log").exists()
    assert all(status in {0, 1} for status, _, _ in said.values()), {
        n: s for n, s in said.items() if s[0] not in {0, 1}
    }
    assert sum(status == 0 for status, _, _ in said.values()) >= 12


def test_the_guard_of_the_network_is_there(everything: tuple[Path, dict[str, tuple[int, str, str]]]) -> None:
    place, _ = everything
    code = "import socket; socket.create_connection(('127.0.0.1', 9))"
    environment = {**os.environ, "PYTHONPATH": str(place / "guard"), "NETWORK_LOG": str(place / "out" / "tried.log")}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False)
    assert "the network" in done.stderr


def test_outputs_stay_within_the_folders_that_were_named(
    everything: tuple[Path, dict[str, tuple[int, str, str]]],
) -> None:
    place, _ = everything
    assert {path.name for path in place.iterdir()} <= {"fleet", "demo", "out", "guard", "program.py"}
    assert not list(place.rglob("*.part"))
    assert not (place.parent / "boot").exists()


def test_hostile_text_is_inert_in_every_output(everything: tuple[Path, dict[str, tuple[int, str, str]]]) -> None:
    place, said = everything
    for _, out, err in said.values():
        assert "\x1b" not in out + err
        assert "\u202e" not in out + err
    page = (place / "out" / "report" / "report.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page
    for path in place.rglob("out/**/*.svg"):
        assert "<script" not in path.read_text(encoding="utf-8"), path
    cells = 0
    for path in place.rglob("out/**/*.csv"):
        with path.open(encoding="utf-8", newline="") as stream:
            for row in csv.reader(stream):
                for cell in row:
                    cells += 1
                    if cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n")):
                        float(cell)  # only a number may begin like a formula
    assert cells > 1000
    calendar = (place / "out" / "work.ics").read_bytes().decode()
    assert calendar.count("BEGIN:VEVENT") == calendar.count("END:VEVENT")
    assert all(line.partition(":")[0] for line in calendar.split("\r\n")[:-1])
    with zipfile.ZipFile(place / "out" / "report" / "report.xlsx") as book:
        sheets = [book.read(name).decode() for name in book.namelist() if name.startswith("xl/worksheets/sheet")]
    assert sheets
    assert not any("<f>" in sheet or "<hyperlink " in sheet for sheet in sheets)


@pytest.mark.parametrize("command", [("fit", "--by"), ("compare", "--factor"), ("cluster", "--factor")])
def test_a_column_whose_name_is_an_attack_is_a_factor_like_any_other(command: tuple[str, str], tmp_path: Path) -> None:
    rows = "".join(f"{100 + 37 * i % 900},{int(i % 3 > 0)},{'ab'[i % 2]},{i % 12}\n" for i in range(80))
    path = tmp_path / "lives.csv"
    path.write_text(f"exit,failed,{QUOTED},unit_id\n{rows}", encoding="utf-8")
    status, document, said = answer(command[0], path, command[1], EVIL)
    assert status == 0, said
    assert '"a"' in json.dumps(document)


def test_a_column_whose_name_is_an_attack_is_an_attribute_like_any_other(tmp_path: Path) -> None:
    units = f"unit_id,duty_cycle,in_service_date,{QUOTED}\nT1,a,2019-01-01,b\n"
    folder = write_folder(tmp_path / "f", units=units)
    with open_store(str(folder / "s.duckdb")) as store:
        load_into(folder, store)
        assert store.number("select count(*) from units where attributes[$name] = 'b'", {"name": EVIL}) == 1
        assert store.count("services") == 2


def test_the_database_reads_the_named_inputs_and_nothing_else(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    secret = tmp_path / "secret.csv"
    secret.write_text("a\n1\n", encoding="utf-8")
    day = date(2026, 11, 24)
    with open_fleet(folder, store_path=None, today=day, strict=False, progress=lambda _: None) as fleet:
        connection = fleet.store.connection
        read = "select count(*) from read_csv($path)"
        assert connection.execute(read, {"path": str(folder / "units.csv")}).fetchone() == (2,)
        for path in (
            secret,
            folder / ".." / "secret.csv",
            "/etc/passwd",
            "http://127.0.0.1:9/x.csv",
            folder / "fleet.toml",
        ):
            with pytest.raises(duckdb.Error):
                connection.execute(read, {"path": str(path)})
        for statement in (
            f"copy (select 1) to '{tmp_path / 'out.csv'}'",
            f"attach '{tmp_path / 'other.duckdb'}'",
            "install httpfs",
            "load httpfs",
            "set enable_external_access = true",
            "set allowed_directories = ['/']",
            "set autoinstall_known_extensions = true",
            "set memory_limit = '100GB'",
        ):
            with pytest.raises(duckdb.Error):
                connection.execute(statement)
    assert {path.name for path in tmp_path.iterdir()} == {"f", "secret.csv"}


def called(node: ast.Call) -> str:
    return ast.unparse(node.func)


FORBIDDEN_MODULES = {
    "pickle", "cPickle", "shelve", "marshal", "dill", "joblib", "subprocess", "socket", "urllib", "http", "ftplib",
    "smtplib", "requests", "httpx", "aiohttp", "ctypes", "yaml", "telnetlib", "xmlrpc", "code", "pty",
}  # fmt: skip
FORBIDDEN_CALLS = {
    "eval",
    "exec",
    "compile",
    "__import__",
    "os.system",
    "os.popen",
    "pd.read_pickle",
    "pd.eval",
    "breakpoint",
}


def test_the_source_has_no_pickle_no_eval_no_shell_and_no_network() -> None:
    found = []
    for path in sorted(SOURCE.rglob("*.py")):
        name = path.relative_to(SOURCE).as_posix()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, (ast.Import, ast.ImportFrom)):
                modules = [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module or ""]
                found += [f"{name}: {module}" for module in modules if module.partition(".")[0] in FORBIDDEN_MODULES]
            if isinstance(node, ast.Call):
                words = called(node)
                if words in FORBIDDEN_CALLS or words.endswith((".read_pickle", ".to_pickle", ".query")):
                    found.append(f"{name}: {words}")
                if words.endswith("import_module") and name not in {"show/paper.py", "__init__.py"}:
                    found.append(f"{name}: {words}")
    assert found == []


def test_every_store_that_the_program_opens_is_bound_to_named_inputs() -> None:
    opened = 0
    for path in sorted(SOURCE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and called(node) == "open_store":
                opened += 1
                assert "inputs" in {keyword.arg for keyword in node.keywords}, path.name
            if isinstance(node, ast.Call) and called(node) == "duckdb.connect":
                assert path.name == "store.py", path.name
    assert opened >= 3


def file(path: Path, table: str = "units") -> DataFile:
    return DataFile(path.name, path, table, {})


def test_a_small_file_that_unpacks_to_far_more_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "units.csv.GZ"
    with gzip.open(path, "wb", compresslevel=9) as out:
        out.write(b"unit_id,duty_cycle,in_service_date\n")
        for _ in range(120):
            out.write(b"T1,line_haul,2020-01-01\n" * 40_000)
    with pytest.raises(DataError, match="unpacks to more than"):
        open_file(file(path), FleetConfig())


def test_a_line_without_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_bytes(b"unit_id,duty_cycle,in_service_date\n" + b"x" * 70_000_000)
    with pytest.raises(DataError, match="characters"):
        for _ in open_file(file(path), FleetConfig()).batches:
            pass


def test_a_parquet_file_of_far_more_rows_than_bytes_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "units.parquet"
    pq.write_table(pa.table({"unit_id": pa.array(np.zeros(3_000_000, dtype=np.int8))}), path)
    with pytest.raises(DataError, match="would unpack"):
        open_file(file(path), FleetConfig())


def constant(text: str, rows: int) -> pa.DictionaryArray:
    return pa.DictionaryArray.from_arrays(pa.array(np.zeros(rows, dtype=np.int32)), pa.array([text]))


def bombs() -> dict[str, pa.Table]:
    """Tables that take a few kB as Parquet and gigabytes once they are read."""
    rows, texts = 20_000, constant("x" * 400_000, 20_000)
    lists = pa.ListArray.from_arrays(pa.array(np.arange(rows + 1, dtype=np.int32)), texts)
    few = constant("0" * 1_000_000, 100).dictionary_decode()
    return {
        "dictionary": pa.table({"unit_id": texts}),
        "dictionary in lists": pa.table({"unit_id": lists}),
        "dictionary in structs": pa.table({"unit_id": pa.StructArray.from_arrays([texts], ["a"])}),
        "dictionary in maps": pa.table({"unit_id": pa.MapArray.from_arrays(lists.offsets, texts, texts)}),
        "pages of zeros": pa.table({"unit_id": few}),
        "fixed width": pa.table({"unit_id": pa.array([b"0" * 100_000] * 1_000, pa.binary(100_000))}),
        "columns": pa.table({f"c{n}": pa.array(np.zeros(200_000, dtype=np.int8)) for n in range(600)}),
    }


@pytest.mark.parametrize("kind", bombs())
def test_a_small_parquet_file_that_unpacks_to_far_more_is_refused_by_its_size(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "units.parquet"
    pq.write_table(bombs()[kind], path, compression="zstd", use_dictionary=kind != "pages of zeros")
    with pytest.raises(DataError, match="would unpack to far more"):
        next(open_file(file(path), FleetConfig()).batches)
    status, document, said = answer("fit", path)
    assert status == 2
    assert "would unpack to far more" in document["error"]["text"]
    assert len(said.splitlines()) == 1


def test_many_rows_of_the_same_long_text_are_read_while_they_are_within_bounds(tmp_path: Path) -> None:
    path = tmp_path / "units.parquet"
    pq.write_table(pa.table({"unit_id": constant("x" * 500, 100_000)}), path)
    assert sum(batch.rows.num_rows for batch in open_file(file(path), FleetConfig()).batches) == 100_000


def test_settings_nested_without_end_are_refused(tmp_path: Path) -> None:
    (tmp_path / "fleet.toml").write_text("a = " + "[" * 100_000, encoding="utf-8")
    with pytest.raises(DataError, match="nested"):
        read_config(tmp_path)


def test_the_demo_does_not_write_over_the_settings_of_a_fleet(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    before = (folder / "fleet.toml").read_bytes()
    assert run(["demo", str(folder)]) == 2
    assert (folder / "fleet.toml").read_bytes() == before


def test_a_question_about_a_folder_that_is_no_fleet_leaves_nothing_there(tmp_path: Path) -> None:
    for command in (["lives", str(tmp_path)], ["unload", str(tmp_path), "x.csv"], ["check", str(tmp_path)]):
        assert run(command) == 2
    assert list(tmp_path.iterdir()) == []

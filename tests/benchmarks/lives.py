"""Lives, episodes and practice of a loaded fleet: time and memory as it grows, beside a vectorised pandas script.

Run: python -m tests.benchmarks.lives [--services 100000 1000000] [--repeats 3] [--memory 1GB] [--folder F] [--append]
The fleet is invented (tests/benchmarks/fleet.py) and loaded once. Each case runs in a process of its own, the cases in
turn; medians. The script is tests/benchmarks/rival.py; a ratio counts only if both made the same lives, row for row.
``--append``: the last month loaded into the store of the rest, and lives again, against everything from the files.
"""

import argparse
import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import duckdb
import pandas as pd

from tests.benchmarks.end_to_end import FIRST, KEY, LAST, NUMBERS
from tests.benchmarks.fleet import write_fleet
from tests.benchmarks.load import peak_memory
from wearlab.history.config_reader import read_config
from wearlab.history.lives import build_history
from wearlab.history.settle import settle
from wearlab.history.source import View, open_fleet, write_source
from wearlab.history.spill import Room
from wearlab.history.store import open_store
from wearlab.history.write_lives import write_lives

TODAY = date(2026, 11, 24)
VIEW = View(None, None, 0.9, TODAY, unknown_as_failure=False)
STORE = "wearlab.duckdb"
MONTH = "2025-12-01"  # the last month of the fleet begins


class Clock:
    """Wall time, processor time and peak memory of what was done since the last look."""

    def __init__(self) -> None:
        self.wall, self.cpu = time.perf_counter(), time.process_time()

    def look(self) -> dict[str, float]:
        now = {
            "wall": time.perf_counter() - self.wall,
            "cpu": time.process_time() - self.cpu,
            "peak": peak_memory(),
        }
        self.wall, self.cpu = time.perf_counter(), time.process_time()
        return now


def run_files(folder: Path, work: Path, memory: str) -> dict[str, dict[str, float]]:
    """Lives, episodes, gaps and factors from the store to Parquet files."""
    config = read_config(folder)
    values = settle(
        config, as_of=None, last_seen=lambda _: None, scale=None, today=TODAY, unknown_as_failure=False,
        known_then=False,
    )  # fmt: skip
    with open_store(str(folder / STORE), room=Room(memory, None)) as store:
        clock = Clock()
        write_lives(store, values, work / "lives", lambda _: None)
        return {"files": clock.look()}


def run_history(folder: Path, work: Path, memory: str) -> dict[str, dict[str, float]]:  # noqa: ARG001 - one form
    """The same from the store to the tables of a History in memory, with meters and all."""
    with open_store(str(folder / STORE), room=Room(memory, None)) as store:
        clock = Clock()
        build_history(
            store, read_config(folder), source="fleet", files=(), as_of=None, scale=None, level=0.9, today=TODAY,
            progress=lambda _: None,
        )  # fmt: skip
        return {"history": clock.look()}


def run_script(folder: Path, work: Path, memory: str) -> dict[str, dict[str, float]]:  # noqa: ARG001 - one form
    """The script: reads the files, then makes lives alone."""
    from tests.benchmarks import rival

    clock = Clock()
    tables = rival.read_tables(folder, FIRST, LAST)
    read = clock.look()
    lives = rival.make_lives(tables)
    made = clock.look()
    days = {name: pd.to_datetime(lives[name], unit="D") for name in ("start", "end")}
    lives.assign(**days)[[*KEY, *NUMBERS, "failed"]].to_pickle(work / "script.pickle")
    return {"script reads": read, "script lives": made}


CASES = {"files": run_files, "history": run_history, "script": run_script}


def run_case(name: str, folder: Path, work: Path, memory: str) -> dict[str, dict[str, float]]:
    """Run one case in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.lives", "--case", name, "--folder", str(folder)]
    command += ["--work", str(work), "--memory", memory]
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    if done.returncode:
        raise RuntimeError(done.stderr)
    found: dict[str, dict[str, float]] = json.loads(done.stdout.splitlines()[-1])
    return found


def check_same(work: Path) -> int:
    """Return how many lives both made; refuses (AssertionError) any difference beyond 1e-12 (1e-6 miles)."""
    made = pd.read_parquet(work / "lives" / "lives").rename(columns={"start_date": "start", "end_date": "end"})
    script = pd.read_pickle(work / "script.pickle")  # noqa: S301 - written a moment ago
    one, two = (
        frame[[*KEY, *NUMBERS, "failed"]]
        .astype({"start": "datetime64[us]", "end": "datetime64[us]"})
        .sort_values([*KEY, "exit"], ignore_index=True)
        .astype(dict.fromkeys(KEY[:2], object))
        for frame in (made, script)
    )
    pd.testing.assert_frame_equal(one[[*KEY, "failed"]], two[[*KEY, "failed"]])
    pd.testing.assert_frame_equal(one[NUMBERS], two[NUMBERS], rtol=1e-12, atol=1e-6)
    return len(one)


def load_once(folder: Path, memory: str) -> None:
    """Load the fleet into its store."""
    with open_fleet(
        folder, store_path=str(folder / STORE), today=TODAY, strict=False, progress=lambda _: None,
        room=Room(memory, None),
    ):  # fmt: skip
        pass


def measure(folder: Path, services: int, repeats: int, memory: str, cases: list[str]) -> None:
    """Print the rows of one size of fleet."""
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        found: dict[str, list[dict[str, float]]] = {}
        for _ in range(repeats):
            shutil.rmtree(work / "lives", ignore_errors=True)
            for case in cases:
                for stage, took in run_case(case, folder, work, memory).items():
                    found.setdefault(stage, []).append(took)
            lives = check_same(work)
        middle = {
            stage: {key: statistics.median(run[key] for run in runs) for key in runs[0]}
            for stage, runs in found.items()
        }
    for stage, took in middle.items():
        share = took["cpu"] / middle["script lives"]["cpu"] if "script lives" in middle else float("nan")
        print(
            f"| {services:,} | {lives:,} | {stage} | {took['wall']:.2f} | {took['cpu']:.2f} "
            f"| {1e6 * took['cpu'] / services:.2f} | {took['peak']:.0f} | {share:.2f} |",
            flush=True,
        )


def cut_last_month(folder: Path, before: Path) -> dict[Path, str]:
    """Copy the fleet without its last month; return the files of that month, to be added."""
    before.mkdir()
    later: dict[Path, str] = {}
    for path in sorted(folder.iterdir()):
        if path.suffix == ".csv" and path.stem.split("-")[0] in ("services", "readings"):
            header, *rows = path.read_text(encoding="utf-8").splitlines(keepends=True)
            at = header.rstrip("\n").replace('"', "").split(",").index("date")
            new = [row for row in rows if row.replace('"', "").split(",")[at] >= MONTH]
            kept = [row for row in rows if row.replace('"', "").split(",")[at] < MONTH]
            (before / path.name).write_text("".join([header, *kept]), encoding="utf-8")
            later[before / f"{path.stem}-later.csv"] = "".join([header, *new])
        elif path.suffix in (".csv", ".toml"):
            shutil.copy(path, before / path.name)
    return later


def measure_append(folder: Path, services: int, memory: str) -> None:
    """Print what the last month costs beside everything."""
    with tempfile.TemporaryDirectory() as name:
        before = Path(name) / "fleet"
        later = cut_last_month(folder, before)
        load_once(before, memory)
        rows = 0
        for path, text in later.items():
            path.write_text(text, encoding="utf-8")
            rows += text.count("\n") - 1
        took = {}
        for what, store in (("month", before / STORE), ("all", Path(name) / "new.duckdb")):
            clock = Clock()
            write_source(
                before, VIEW, Path(name) / what, store_path=str(store), progress=lambda _: None, room=Room(memory, None)
            )
            took[what] = clock.look()
        for table in ("lives", "episodes", "gaps", "factors"):
            one, two = (pd.read_parquet(Path(name) / what / table) for what in took)
            pd.testing.assert_frame_equal(one, two, check_exact=True)
        cells = " | ".join(f"{took[what]['wall']:.1f} | {took[what]['cpu']:.1f}" for what in took)
        share = took["month"]["cpu"] / took["all"]["cpu"]
        print(f"| {services:,} | {rows:,} | {cells} | {share:.2f} |", flush=True)


def main() -> None:
    """Print the tables in Markdown."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--services", type=int, nargs="+", default=[100_000, 1_000_000])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--memory", default="1GB")
    parser.add_argument("--no-history", action="store_true", help="leave out the tables in memory")
    parser.add_argument("--append", action="store_true")
    parser.add_argument("--folder", type=Path, help="where the fleet is kept, or there already")
    parser.add_argument("--case")
    parser.add_argument("--work", type=Path)
    asked = parser.parse_args()
    if asked.case:
        print(json.dumps(CASES[asked.case](asked.folder, asked.work, asked.memory)))
        return
    load = os.getloadavg()[0]
    if asked.append:
        print("| services | rows of the month | month: wall s | CPU s | all: wall s | CPU s | CPU ratio |")
    else:
        print("| services | lives | stage | wall s | CPU s | CPU µs a service | peak MB | CPU : script's lives |")
    print("|---|---|---|---|---|---|---|---|"[: None if not asked.append else -4])
    for services in asked.services:
        with tempfile.TemporaryDirectory() as name:
            folder = asked.folder or Path(name) / "fleet"
            if not folder.exists():
                write_fleet(folder, services)
            if asked.append:
                measure_append(folder, services, asked.memory)
                continue
            load_once(folder, asked.memory)
            cases = [name for name in CASES if name != "history" or not asked.no_history]
            measure(folder, services, asked.repeats, asked.memory, cases)
    print(f"\nMedians of {asked.repeats}; memory limit {asked.memory}; load average before {load:.1f}; ", end="")
    print(f"{os.cpu_count()} CPUs, Python {platform.python_version()}, DuckDB {duckdb.__version__}, ", end="")
    print(f"pandas {pd.__version__}")


if __name__ == "__main__":
    main()

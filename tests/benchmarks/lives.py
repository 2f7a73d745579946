"""Lives, gaps, practice and episodes of an invented fleet: processor time and memory as the fleet grows.

Run: python -m tests.benchmarks.lives [--trucks 600] [--copies 1 3 9]
The demo fleet is written and loaded once; the larger fleets are copies of it. Each case runs in a process of its own.
"""

import argparse
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import duckdb

from tests.fleet_rows import TABLES
from wearlab.demo import write_demo
from wearlab.history.lives import build_history
from wearlab.history.source import open_fleet
from wearlab.history.store import Store

TODAY = date(2026, 11, 24)


def copy_rows(store: Store, copies: int) -> None:
    """Add so many copies of every row but the plan, each with trucks and orders of its own."""
    own = {"unit_id": "unit_id || '-' || n", "service_id": "service_id || '-' || n"}
    for table in (name for name in TABLES if name != "lube_plan"):
        columns = [row[0] for row in store.connection.execute(f"describe {table}").fetchall()]
        chosen = ", ".join(own.get(name, f'"{name}"') for name in columns)
        store.connection.execute(f"insert into {table} select {chosen} from {table}, range(1, {copies}) r(n)")


def measure(folder: Path, copies: int) -> dict[str, float]:
    """Return what one build takes."""
    with open_fleet(folder, store_path=":memory:", today=TODAY, strict=False, progress=lambda _: None) as fleet:
        copy_rows(fleet.store, copies)
        services = fleet.store.connection.execute("select count(*) from services").fetchone()
        wall, cpu = time.perf_counter(), time.process_time()
        history = build_history(
            fleet.store, fleet.config, source="demo", files=(), as_of=None, scale=None, level=0.9, today=TODAY,
            progress=lambda _: None,
        )  # fmt: skip
        return {
            "services": services[0] if services else 0,
            "lives": len(history.lives),
            "episodes": len(history.episodes),
            "wall": time.perf_counter() - wall,
            "cpu": time.process_time() - cpu,
            "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        }


def main() -> None:
    """Print one line per size of fleet."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--trucks", type=int, default=600)
    parser.add_argument("--copies", type=int, nargs="+", default=[1, 3, 9])
    parser.add_argument("--case", type=int)
    parser.add_argument("--folder", type=Path)
    asked = parser.parse_args()
    if asked.case is not None:
        print(json.dumps(measure(asked.folder, asked.case)))
        return
    print("| trucks | services | lives | episodes | wall s | processor s | s per 1,000 services | peak MB |")
    print("|---|---|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "fleet"
        write_demo(folder, seed=7, trucks=asked.trucks)
        for copies in asked.copies:
            command = [sys.executable, "-m", "tests.benchmarks.lives", "--case", str(copies), "--folder", str(folder)]
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            run = json.loads(done.stdout)
            print(
                f"| {asked.trucks * copies:,} | {run['services']:,} | {run['lives']:,} | {run['episodes']:,} "
                f"| {run['wall']:.1f} | {run['cpu']:.1f} | {1000 * run['cpu'] / run['services']:.3f} "
                f"| {run['peak']:.0f} |"
            )
    print(f"\n{os.cpu_count()} CPUs, Python {platform.python_version()}, DuckDB {duckdb.__version__}")


if __name__ == "__main__":
    main()

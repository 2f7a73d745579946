"""Loading against a bare typed read and against pandas with the same checks: wall time and memory, ratios in one run.

Run: python -m tests.benchmarks.load [--rows 1000000] [--repeats 3] [--memory 1GB]
The fleet is invented; one row in eight hundred has a fault, of seven kinds.
Each case runs in a process of its own, the cases in turn.
"""

import argparse
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from wearlab.history.load import load_folder
from wearlab.history.spill import Room
from wearlab.history.store import open_store

TODAY = date(2026, 11, 24)
COLUMNS = [
    *("service_id", "unit_id", "date", "miles", "position", "component", "action", "reason", "failure_mode", "lot"),
    *("shop", "cups_purged", "labor_hours"),
]
TYPES = {
    "date": "DATE",
    "miles": "DOUBLE",
    "cups_purged": "TINYINT",
    "labor_hours": "DOUBLE",
}


def write_fleet(folder: Path, rows: int, *, dirty: bool) -> None:
    """Write an invented fleet of about one truck per 288 services."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(5)
    trucks = max(rows // 288, 3)
    (folder / "fleet.toml").write_text("records_from = 2019-01-01\nas_of = 2025-12-31\n")
    names = np.char.add("T", np.arange(trucks).astype(str))
    pd.DataFrame({"unit_id": names, "duty_cycle": "line_haul", "in_service_date": "2019-01-01"}).to_csv(
        folder / "units.csv", index=False
    )
    places = [f"main.joint.{n}" for n in (1, 2, 3)]
    pd.DataFrame({"unit_id": np.repeat(names, 3), "position": places * trucks, "component": "joint"}).to_csv(
        folder / "positions.csv", index=False
    )
    with (folder / "services.csv").open("w") as file:
        file.write(",".join(COLUMNS) + "\n")
        for start in range(0, rows, 500_000):
            size = min(500_000, rows - start)
            lines = _services(rng, start, size, names, dirty=dirty).to_csv(index=False, header=False).splitlines()
            for number in rng.choice(size, size // 4000 if dirty else 0, replace=False).tolist():
                lines[number] = lines[number].rsplit(",", 1)[0]  # a value too few
            file.write("\n".join(lines) + "\n")


def _services(rng: np.random.Generator, start: int, rows: int, names: np.ndarray, *, dirty: bool) -> pd.DataFrame:
    days = pd.to_datetime("2019-01-02") + pd.to_timedelta(rng.integers(0, 2500, rows), "D")
    action = rng.choice(["regrease", "inspect", "replace"], rows, p=[0.7, 0.2, 0.1])
    frame = pd.DataFrame(
        {
            "service_id": np.char.add("W", np.arange(start, start + rows).astype(str)),
            "unit_id": rng.choice(names, rows),
            "date": days.strftime("%Y-%m-%d"),
            "miles": rng.integers(0, 5_000_000, rows) / 10,
            "position": rng.choice(["main.joint.1", "main.joint.2", "main.joint.3"], rows),
            "component": "joint",
            "action": action,
            "reason": np.where(action == "replace", rng.choice(["failure", "planned"], rows), ""),
            "failure_mode": np.where(action == "replace", "dry cup", ""),
            "lot": np.char.add("L", rng.integers(0, 50, rows).astype(str)),
            "shop": rng.choice(["north", "south", "east"], rows),
            "cups_purged": rng.integers(0, 5, rows),
            "labor_hours": rng.integers(0, 80, rows) / 10,
        }
    ).astype({"miles": object, "date": object})
    if dirty:
        bad = rng.choice(rows, rows // 1000, replace=False)
        kinds = np.array_split(bad, 6)
        frame.loc[kinds[0], "date"] = "2024-02-31"
        frame.loc[kinds[1], "miles"] = "12o5"
        frame.loc[kinds[2], "action"] = "wash"
        frame.loc[kinds[3], "cups_purged"] = 9
        frame.loc[kinds[4], "unit_id"] = "T-none"
        frame.loc[kinds[5], "service_id"] = ""
    return frame


def run_bare(folder: Path, work: Path, memory: str) -> dict[str, int]:
    """A typed read of the same file into a table, bad values as nothing: the least that any loader must do."""
    types = {name: TYPES.get(name, "VARCHAR") for name in COLUMNS}
    with duckdb.connect(str(work / "bare.duckdb"), config={"memory_limit": memory}) as connection:
        connection.execute(
            "create table services as select * from read_csv($path, columns=$types, header=true, auto_detect=false, "
            "ignore_errors=true)",
            {"path": str(folder / "services.csv"), "types": types},
        )
        row = connection.execute("select count(*) from services").fetchone()
        assert row is not None
        return {"rows": row[0]}


def run_pandas(folder: Path, work: Path, memory: str) -> dict[str, int]:  # noqa: ARG001 - one form for all cases
    """Read with pandas and the same checks, without line numbers and without a store."""
    units = pd.read_csv(folder / "units.csv", dtype=str)
    positions = pd.read_csv(folder / "positions.csv", dtype=str)
    frame = pd.read_csv(folder / "services.csv", dtype=str, keep_default_na=False, na_values=[""])
    day = pd.to_datetime(frame["date"], format="%Y-%m-%d", errors="coerce")
    miles, cups, hours = (
        pd.to_numeric(frame[name], errors="coerce") for name in ("miles", "cups_purged", "labor_hours")
    )
    start = frame["unit_id"].map(pd.to_datetime(units.set_index("unit_id")["in_service_date"]))
    known = pd.MultiIndex.from_frame(positions[["unit_id", "position"]])
    good = frame["service_id"].notna() & frame["unit_id"].notna() & day.notna() & start.notna() & (day >= start)
    good &= (day <= pd.Timestamp("2025-12-31")) & (day >= pd.Timestamp("1900-01-01"))
    good &= (frame["miles"].isna() | (miles >= 0)) & (frame["cups_purged"].isna() | ((cups >= 0) & (cups <= 4)))
    good &= (frame["labor_hours"].isna() | (hours >= 0)) & frame["action"].isin(["regrease", "inspect", "replace"])
    good &= frame["reason"].isna() | frame["reason"].isin(["failure", "planned", "with_mate", "campaign", "unknown"])
    good &= frame["position"].isna() | pd.MultiIndex.from_frame(frame[["unit_id", "position"]]).isin(known)
    good &= ~frame.duplicated()
    return {"rows": int(good.sum())}


def run_loader(folder: Path, work: Path, memory: str) -> dict[str, int]:
    """Load the folder with full accounting into a new store."""
    with open_store(str(work / "store.duckdb"), room=Room(memory, work / "spill")) as store:
        loaded = load_folder(folder, store, today=TODAY, progress=lambda _: None)
    services = loaded.accounts.set_index("table").loc["services"]
    return {"rows": int(services["rows_loaded"]), "aside": int(services["rows_set_aside"])}


CASES = {"bare typed read": run_bare, "pandas read and checks": run_pandas, "load with full accounting": run_loader}


def run_case(name: str, folder: Path, memory: str) -> dict[str, float]:
    """Run one case in this process and return its time, peak memory and counts."""
    with tempfile.TemporaryDirectory(dir=folder.parent) as work:
        start, cpu = time.perf_counter(), time.process_time()
        counts = CASES[name](folder, Path(work), memory)
        wall, used = time.perf_counter() - start, time.process_time() - cpu
    peak = peak_memory()
    return {"wall": wall, "cpu": used, "peak": peak, **counts}


def peak_memory() -> float:
    """Return the greatest resident memory of this process so far, in MB (Linux)."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))


def main() -> None:
    """Print the table in Markdown."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--memory", default="1GB")
    parser.add_argument("--case")
    parser.add_argument("--folder", type=Path)
    asked = parser.parse_args()
    if asked.case:
        print(json.dumps(run_case(asked.case, asked.folder, asked.memory)))
        return
    with tempfile.TemporaryDirectory() as top:
        print("| file | case | wall s | CPU s | wall ratio | CPU ratio | peak MB | rows loaded | set aside |")
        print("|---|---|---|---|---|---|---|---|---|")
        for label, dirty in (("clean", False), ("dirty", True)):
            folder = Path(top) / label / "fleet"
            write_fleet(folder, asked.rows, dirty=dirty)
            compare(label, folder, asked.repeats, asked.memory)
    print(
        f"\n{asked.rows:,} services; medians of {asked.repeats}; memory limit {asked.memory}; {os.cpu_count()} CPUs, ",
        end="",
    )
    print(f"Python {platform.python_version()}, DuckDB {duckdb.__version__}, pandas {pd.__version__}")


def compare(label: str, folder: Path, repeats: int, memory: str) -> None:
    """Run every case in turn, each in a process of its own, and print one line for each."""
    found: dict[str, list[dict[str, float]]] = {name: [] for name in CASES}
    for _ in range(repeats):
        for name in CASES:
            command = [sys.executable, "-m", "tests.benchmarks.load", "--case", name, "--folder", str(folder)]
            done = subprocess.run([*command, "--memory", memory], capture_output=True, text=True, check=True)
            found[name].append(json.loads(done.stdout))
    middle = {
        name: {key: statistics.median(run[key] for run in runs) for key in runs[0]} for name, runs in found.items()
    }
    base = middle["bare typed read"]
    for name, run in middle.items():
        ratio, cpu_ratio = run["wall"] / base["wall"], run["cpu"] / base["cpu"]
        aside = f"{run['aside']:,.0f}" if "aside" in run else ""
        print(
            f"| {label} | {name} | {run['wall']:.2f} | {run['cpu']:.2f} | {ratio:.2f} | {cpu_ratio:.2f} "
            f"| {run['peak']:.0f} | {run['rows']:,.0f} | {aside} |"
        )


if __name__ == "__main__":
    main()

"""Loading against a bare typed read and against pandas with the same checks: wall time and memory, ratios in one run.

Run: python -m tests.benchmarks.load [--rows 1000000] [--repeats 3] [--memory 1GB]
The fleet is invented; one row in eight hundred has a fault, of seven kinds.
Each case runs in a process of its own, the cases in turn.
"""

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import duckdb
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
    """Write an invented fleet of about one truck per 288 services; the same rows and kind give the same bytes."""
    folder.mkdir(parents=True)
    trucks = max(rows // 288, 3)
    (folder / "fleet.toml").write_text("records_from = 2019-01-01\nas_of = 2025-12-31\n")
    with duckdb.connect() as connection:
        units = (
            f"select 'T' || range as unit_id, 'line_haul' as duty_cycle, date '2019-01-01' as d from range({trucks})"
        )
        _copy(connection, folder / "units.csv", f"select unit_id, duty_cycle, d as in_service_date from ({units})")
        places = f"from ({units}), (select unnest([1, 2, 3]) as n) order by unit_id, n"
        named = f"select unit_id, 'main.joint.' || n as position, 'joint' as component {places}"
        _copy(connection, folder / "positions.csv", named)
        _copy(connection, folder / "services.csv", _services(rows, trucks, dirty=dirty))


def _copy(connection: duckdb.DuckDBPyConnection, path: Path, query: str) -> None:
    connection.execute(f"copy ({query}) to '{path}' (format csv, header, quote '')")


def _services(rows: int, trucks: int, *, dirty: bool) -> str:
    """Return the query of the services; in a dirty file every 800th row has one of seven faults in turn."""
    chance = "(hash(range * 31 + {}) % 1000000) / 1e6"
    kind = "case when range % 800 = 399 then (range // 800) % 7 end" if dirty else "null::bigint"
    replaced = f"{chance.format(2)} >= 0.9"
    return f"""
      select
        case when kind = 5 then '' else 'W' || range end as service_id,
        case when kind = 4 then 'T-none' else 'T' || floor({chance.format(1)} * {trucks})::bigint end as unit_id,
        case when kind = 0 then '2024-02-31'
             else (date '2019-01-02' + floor({chance.format(3)} * 2500)::integer)::varchar end as date,
        case when kind = 1 then '12o5' else (floor({chance.format(4)} * 5e6) / 10)::varchar end as miles,
        'main.joint.' || (1 + hash(range + 5) % 3) as position, 'joint' as component,
        case when kind = 2 then 'wash' when {replaced} then 'replace'
             when {chance.format(2)} >= 0.7 then 'inspect' else 'regrease' end as action,
        case when {replaced} then ['failure', 'planned'][(1 + hash(range + 6) % 2)::bigint] end as reason,
        case when {replaced} then 'dry cup' end as failure_mode,
        'L' || hash(range + 7) % 50 as lot, ['north', 'south', 'east'][(1 + hash(range + 8) % 3)::bigint] as shop,
        case when kind = 3 then 9 else hash(range + 9) % 5 end as cups_purged,
        case when kind = 6 then '1,2' else ((hash(range + 10) % 80) / 10)::varchar end as labor_hours
      from (select range, {kind} as kind from range({rows}))"""


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
    path = folder / "services.csv"
    frame = pd.read_csv(path, dtype=str, keep_default_na=False, na_values=[""], on_bad_lines="skip")
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
    """Run the cases, note each run, and print the table in Markdown."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--memory", default="1GB")
    parser.add_argument("--only", help="letters of the cases to run: b(are), p(andas), l(oad)", default="bpl")
    parser.add_argument("--kinds", help="clean,dirty", default="clean,dirty")
    parser.add_argument("--folder", type=Path, help="where the fleets are written, and found again by a later run")
    parser.add_argument("--case")
    asked = parser.parse_args()
    if asked.case:
        print(json.dumps(run_case(asked.case, asked.folder, asked.memory)))
        return
    with tempfile.TemporaryDirectory() as spare:
        top = asked.folder or Path(spare)
        for kind in asked.kinds.split(","):
            folder = top / f"{kind}-{asked.rows}" / "fleet"
            if not folder.exists():
                write_fleet(folder, asked.rows, dirty=kind == "dirty")
            cases = [name for name in CASES if name[0] in asked.only]
            for _ in range(asked.repeats):
                for name in cases:
                    note_run(top, asked.rows, kind, name, folder, asked.memory)
        print_table(top, asked.memory)


def note_run(top: Path, rows: int, kind: str, name: str, folder: Path, memory: str) -> None:
    """Run one case in a process of its own and add what it took to the notes."""
    command = [sys.executable, "-m", "tests.benchmarks.load", "--case", name, "--folder", str(folder)]
    done = subprocess.run([*command, "--memory", memory], capture_output=True, text=True, check=True)
    with (top / "runs.jsonl").open("a") as notes:
        notes.write(json.dumps({"size": rows, "kind": kind, "case": name, **json.loads(done.stdout)}) + "\n")


def print_table(top: Path, memory: str) -> None:
    """Print medians of all runs noted, the bare typed read of the same file as 1."""
    runs = pd.read_json(top / "runs.jsonl", lines=True)
    runs = runs.assign(aside=runs.get("aside"), runs=1)
    middle = runs.groupby(["size", "kind", "case"]).agg(
        {"wall": "median", "cpu": "median", "peak": "max", "rows": "median", "aside": "median", "runs": "sum"}
    )
    heads = ["services", "file", "case", "wall s", "CPU s", "wall ratio", "CPU ratio", "peak MB", "rows loaded"]
    print("|", " | ".join([*heads, "set aside", "runs"]), "|")
    print("|---|---|---|---|---|---|---|---|---|---|---|")
    for (size, kind), group in middle.groupby(["size", "kind"]):
        cases = group.droplevel(["size", "kind"])
        for name in (name for name in CASES if name in cases.index):
            run, base = cases.loc[name], cases.loc[next(iter(CASES))] if next(iter(CASES)) in cases.index else None
            ratios = "|  |" if base is None else f"| {run['wall'] / base['wall']:.2f} | {run['cpu'] / base['cpu']:.2f}"
            aside = "" if pd.isna(run["aside"]) else f"{run['aside']:,.0f}"
            print(
                f"| {size:,} | {kind} | {name} | {run['wall']:.2f} | {run['cpu']:.2f} {ratios} | {run['peak']:.0f} "
                f"| {run['rows']:,.0f} | {aside} | {run['runs']:.0f} |"
            )
    print(f"\nMedians; greatest peak; memory limit {memory}; {os.cpu_count()} CPUs, ", end="")
    print(f"Python {platform.python_version()}, DuckDB {duckdb.__version__}, pandas {pd.__version__}")


if __name__ == "__main__":
    main()

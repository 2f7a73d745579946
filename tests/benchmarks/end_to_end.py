"""From a fleet folder to printed intervals and flags, stage by stage, beside the rival script on the same folder.

Run: ``python -m tests.benchmarks.end_to_end --services 100000 [--repeats 3] [--draws 20] [--all] [--report]``
The fleet is invented (tests/benchmarks/fleet.py). Every run is a process of its own, the two in turn; medians. The
ratios count only if both made the same lives, row for row, and the same curves, to 1e-6: otherwise nothing is printed.
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
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from tests.benchmarks.fleet import write_fleet
from tests.benchmarks.load import peak_memory

TODAY = date(2026, 11, 24)
FIRST, LAST = "2019-01-01", "2025-12-31"
TOOL, RIVAL, ALL, REPORT = "wearlab", "rival", "all", "report"
TO_LIVES, TO_CURVES, TO_RATIOS = ("start", "load", "lives"), ("fit",), ("compare",)
KEY = ["unit_id", "position", "start", "end"]
NUMBERS = ["entry", "exit", "lower", "upper"]
CURVES = ["component", "duty_cycle", "shape", "eta"]


class Stages:
    """The time and the peak memory of each stage of one run."""

    def __init__(self) -> None:
        self.done: dict[str, dict[str, float]] = {}
        self.add("start", started=0.0)

    def add(self, name: str, *, started: float, cpu: float = 0.0) -> None:
        self.done[name] = {
            "wall": time.perf_counter() - started if started else time.time() - float(os.environ["STARTED"]),
            "cpu": time.process_time() - cpu,
            "peak": peak_memory(),
        }

    def run(self, name: str, work: Callable[[], Any]) -> Any:
        started, cpu = time.perf_counter(), time.process_time()
        result = work()
        self.add(name, started=started, cpu=cpu)
        return result


def quiet(_: str) -> None:
    """Say nothing."""


def run_tool(folder: Path, out: Path, *, draws: int, every: bool) -> dict[str, Any]:
    """Load, build lives, fit, compare classes; with ``every`` the other questions too."""
    del draws  # the tool draws trucks 1,000 times
    from wearlab.answers.compare import compare_classes
    from wearlab.curves.fit import Fit, Fits, fit_strata
    from wearlab.history.source import View, open_fleet

    stages = Stages()
    view = View(None, None, 0.9, TODAY, unknown_as_failure=False)
    with tempfile.TemporaryDirectory(dir=out) as work:
        opened = open_fleet(
            folder, store_path=f"{work}/store.duckdb", today=TODAY, strict=False, progress=quiet
        )  # fmt: skip
        fleet = stages.run("load", opened.__enter__)
        history = stages.run("lives", lambda: fleet.history(view, known_then=False, progress=quiet))
        opened.__exit__(None, None, None)
    asked: dict[str, Any] = {"level": 0.9, "seed": 1}
    fits = stages.run("fit", lambda: _shown(fit_strata(history, by=None, component=None, mode=None, **asked)))
    compared: dict[str, Any] = {"factor": "duty_cycle", "progress": quiet, "fitted": fits.plain}  # as a study does
    stages.run("compare", lambda: _shown(compare_classes(history, **compared, **asked)))
    if every:
        _ask_the_rest(stages, history, asked)
    lives = history.lives.rename(columns={"start_date": "start", "end_date": "end"})
    lives[[*KEY, *NUMBERS, "failed"]].to_pickle(out / "lives.pickle")
    if not isinstance(fits, Fits):
        raise TypeError("no curves")
    rows = [(*dict(item.stratum).values(), item.curve.shape, item.curve.eta) for item in fits.items
            if isinstance(item, Fit)]  # fmt: skip
    pd.DataFrame(rows, columns=CURVES).to_pickle(out / "curves.pickle")
    return stages.done


def _ask_the_rest(stages: Stages, history: Any, asked: dict[str, Any]) -> None:
    from wearlab.answers.cluster import find_cluster
    from wearlab.answers.early import find_early
    from wearlab.answers.forecast import forecast_failures
    from wearlab.answers.intervals import recommend_intervals

    said = {**asked, "progress": quiet}
    stages.run("early", lambda: _shown(find_early(history, rate=0.05, **said)))
    stages.run("intervals", lambda: _shown(recommend_intervals(history, **said)))
    stages.run("cluster, joints", lambda: _shown(find_cluster(history, component="joint", factors=(), **said)))
    stages.run("forecast", lambda: _shown(forecast_failures(history, months=12, ahead=None, **said)))


def _shown(result: Any) -> Any:
    result.tables()
    return result


def run_rival(folder: Path, out: Path, *, draws: int, every: bool) -> dict[str, Any]:
    """Run the rival script."""
    del every
    from tests.benchmarks import rival

    stages = Stages()
    tables = stages.run("load", lambda: rival.read_tables(folder, FIRST, LAST))
    lives = stages.run("lives", lambda: rival.make_lives(tables))
    fits = stages.run("fit", lambda: rival.fit_all(lives))
    stages.run("compare", lambda: rival.resample(lives, fits, draws=draws, seed=1))
    days = {name: pd.to_datetime(lives[name], unit="D") for name in ("start", "end")}
    lives.assign(**days)[[*KEY, *NUMBERS, "failed"]].to_pickle(out / "lives.pickle")
    fits[CURVES].to_pickle(out / "curves.pickle")
    return stages.done


def run_report(folder: Path, out: Path, *, draws: int, every: bool) -> dict[str, Any]:
    """Answer every question once and write the report with everything beside it."""
    del draws, every
    from wearlab.show.report import write_report
    from wearlab.study import Settings, run_study

    stages = Stages()
    with tempfile.TemporaryDirectory(dir=out) as work:
        settings = Settings(today=TODAY, store=f"{work}/store.duckdb")
        study = stages.run("study", lambda: run_study(folder, settings, progress=quiet))
        written = stages.run("page", lambda: write_report(study, Path(work) / "report", audience="all"))
        stages.done["page"]["MB of page"] = written.page.stat().st_size / 1e6
    return stages.done


CASES = {TOOL: run_tool, RIVAL: run_rival, REPORT: run_report}


def same(tool: Path, rival: Path) -> None:
    """Refuse (AssertionError) two runs that did not make the same lives and curves."""
    lives = [pd.read_pickle(out / "lives.pickle") for out in (tool, rival)]  # noqa: S301 - written a moment ago
    one, two = (
        frame.astype({"start": "datetime64[us]", "end": "datetime64[us]"})
        .sort_values([*KEY, "exit"], ignore_index=True)
        .astype(dict.fromkeys(KEY[:2], object))
        for frame in lives
    )
    pd.testing.assert_frame_equal(one[[*KEY, "failed"]], two[[*KEY, "failed"]])
    pd.testing.assert_frame_equal(one[NUMBERS], two[NUMBERS], rtol=1e-12, atol=1e-6)
    curves = [pd.read_pickle(out / "curves.pickle") for out in (tool, rival)]  # noqa: S301 - written a moment ago
    first, second = (frame.sort_values(CURVES[:2], ignore_index=True).astype({"component": object}) for frame in curves)
    assert list(first["component"] + first["duty_cycle"]) == list(second["component"] + second["duty_cycle"])
    assert np.allclose(first[CURVES[2:]], second[CURVES[2:]], rtol=1e-6, atol=0)


def run_case(name: str, folder: Path, out: Path, draws: int, *, every: bool) -> dict[str, Any]:
    """Run one case in a process of its own and return its stages."""
    out.mkdir(exist_ok=True)
    command = [sys.executable, "-m", "tests.benchmarks.end_to_end", "--case", name, "--folder", str(folder)]
    command += ["--out", str(out), "--draws", str(draws), *(["--all"] if every else [])]
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "STARTED": str(time.time())}
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    if done.returncode:
        raise RuntimeError(done.stderr)
    stages: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return stages


def middle(runs: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the medians over runs, stage by stage."""
    return {
        stage: {key: statistics.median(run[stage][key] for run in runs) for key in runs[0][stage]} for stage in runs[0]
    }


def add_up(stages: dict[str, Any], names: tuple[str, ...]) -> dict[str, float]:
    """Return the sums of some stages, and the peak up to the last."""
    return {
        "wall": sum(stages[name]["wall"] for name in names),
        "cpu": sum(stages[name]["cpu"] for name in names),
        "peak": max(stages[name]["peak"] for name in names),
    }


def show(tool: dict[str, Any], rival: dict[str, Any], draws: int) -> None:
    """Print the table of both."""
    print("| stage | wearlab wall s | CPU s | peak MB | rival wall s | CPU s | peak MB | wall ratio | CPU ratio |")
    print("|---|---|---|---|---|---|---|---|---|")
    for name, own in tool.items():
        _line(name, own, rival.get(name))
    upto = (*TO_LIVES, *TO_CURVES, *TO_RATIOS)
    _line("**folder to lives**", add_up(tool, TO_LIVES), add_up(rival, TO_LIVES))
    _line("**folder to curves**", add_up(tool, (*TO_LIVES, *TO_CURVES)), add_up(rival, (*TO_LIVES, *TO_CURVES)))
    _line(f"**folder to ratios of B10, rival with {draws} draws**", add_up(tool, upto), add_up(rival, upto))
    as_many = {**rival, "compare": {k: v * (1 if k == "peak" else 1000 / draws) for k, v in rival["compare"].items()}}
    _line("**the same, rival with 1,000 draws, worked out from these**", add_up(tool, upto), add_up(as_many, upto))
    if len(tool) > len(upto):
        _line("**folder to every answer above**", add_up(tool, tuple(tool)), None)


def _line(name: str, own: dict[str, float], other: dict[str, float] | None) -> None:
    cells = [f"{own['wall']:.2f}", f"{own['cpu']:.2f}", f"{own['peak']:.0f}"]
    if other is None:
        cells += [""] * 5
    else:
        cells += [f"{other['wall']:.2f}", f"{other['cpu']:.2f}", f"{other['peak']:.0f}"]
        cells += [_ratio(own[key], other[key]) for key in ("wall", "cpu")]
    print(f"| {name} | " + " | ".join(cells) + " |")


def _ratio(own: float, other: float) -> str:
    return f"1/{other / own:.1f}" if own <= other else f"{own / other:.1f}"


def main() -> None:
    """Print the table in Markdown."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--services", type=int, default=100_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--draws", type=int, default=20)
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--report", action="store_true")
    parser.add_argument("--case")
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    if asked.case:
        print(json.dumps(CASES[asked.case](asked.folder, asked.out, draws=asked.draws, every=asked.all)))
        return
    with tempfile.TemporaryDirectory() as name:
        top = Path(name)
        folder = top / "fleet"
        write_fleet(folder, asked.services)
        load = os.getloadavg()[0]
        if asked.report:
            _show_report(folder, top, asked.repeats)
        else:
            _show_both(folder, top, asked)
    print(
        f"\n{asked.services:,} services; medians of {asked.repeats}; load average before {load:.1f}; {os.cpu_count()} ",
        end="",
    )
    print(f"CPUs, {platform.machine()}, Python {platform.python_version()}, DuckDB {duckdb.__version__}, ", end="")
    print(f"pandas {pd.__version__}, numpy {np.__version__}")


def _show_both(folder: Path, top: Path, asked: argparse.Namespace) -> None:
    found: dict[str, list[dict[str, Any]]] = {TOOL: [], RIVAL: []}
    for _ in range(asked.repeats):
        for name, runs in found.items():
            runs.append(run_case(name, folder, top / name, asked.draws, every=asked.all))
        same(top / TOOL, top / RIVAL)
    show(middle(found[TOOL]), middle(found[RIVAL]), asked.draws)


def _show_report(folder: Path, top: Path, repeats: int) -> None:
    stages = middle([run_case(REPORT, folder, top / REPORT, 0, every=False) for _ in range(repeats)])
    print("| stage | wall s | CPU s | peak MB | page MB |")
    print("|---|---|---|---|---|")
    for name, own in stages.items():
        size = f"{own['MB of page']:.2f}" if "MB of page" in own else ""
        print(f"| {name} | {own['wall']:.2f} | {own['cpu']:.2f} | {own['peak']:.0f} | {size} |")


if __name__ == "__main__":
    main()

"""How often the forecast's 90 % intervals hold what happens, over simulated fleets.

Run from the root of the repository: ``python -m tests.studies.forecast_coverage [FLEETS] [FOLDER [FIRST LAST]]``
(default 500; about half a minute of one core for ten fleets). It rewrites ``tests/studies/forecast_coverage.md``. With
a folder each fleet's rows are kept there and not worked out again; with FIRST and LAST only those fleets are.
"""

import platform
import sys
from datetime import date
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from tests.studies.forecast_fleet import Plan, later, look, simulate_fleet
from wearlab.answers.forecast import Forecast, forecast_failures
from wearlab.history.lives import History

DAY = date(2023, 6, 30)
HORIZONS = (3, 12, 24)
LEVEL = 0.9
PLANS = (
    ("alike", Plan(trucks=60)),
    ("unlike", Plan(trucks=60, frailty=0.3, removal_per_mile=6e-7, leaving_per_year=0.06)),
    ("small", Plan(trucks=18, frailty=0.3, removal_per_mile=3e-7)),
    ("many", Plan(trucks=150, frailty=0.5, yearly_spread=0.2, leaving_per_year=0.1)),
    ("planned", Plan(trucks=80, frailty=0.3, planned_share=0.4, leaving_per_year=0.04)),
)
BINS = (0.0, 1.0, 2.0, 5.0, 15.0, 50.0, 1e9)


def _quiet(text: str) -> None:
    del text


def observe(made: Forecast, then: History, months: int) -> pd.Series:
    """Return failures found in the window by stratum, at the places that were forecast."""
    ended = then.lives["end_date"]
    inside = (ended > pd.Timestamp(DAY)) & (ended <= pd.Timestamp(later(DAY, months)))
    failed = then.lives[then.lives["failed"] & inside]
    known = pd.MultiIndex.from_frame(made.units[["unit_id", "position"]])
    failed = failed[pd.MultiIndex.from_frame(failed[["unit_id", "position"]]).isin(known)]
    return failed.groupby(failed["component"] + ", " + failed["duty_cycle"]).size()


def try_fleet(name: str, plan: Plan, seed: int) -> list[dict[str, object]]:
    """Return one row per horizon and group: what was forecast and what happened."""
    fleet = simulate_fleet(plan, seed)
    made = forecast_failures(look(fleet, DAY), months=HORIZONS[-1], ahead=None, level=LEVEL, seed=seed, progress=_quiet)
    if not isinstance(made, Forecast):
        return []
    then, rows = look(fleet, later(DAY, HORIZONS[-1])), []
    for months in HORIZONS:
        seen = observe(made, then, months)
        ahead = pd.concat([made.by_month.assign(group="all"), made.by_group_month])
        for row in ahead[ahead["months"] == months].to_dict("records"):
            happened = float(seen.sum() if row["group"] == "all" else seen.get(row["group"], 0))
            rows.append({"plan": name, "observed": happened, "kind": _kind(row), **row})
    return rows


def _kind(row: dict[str, object]) -> str:
    return "all" if row["group"] == "all" else "group"


def summarise(table: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return coverage with both misses, and observed over expected, by the given columns."""
    table = table.assign(
        held=(table["low"] <= table["observed"]) & (table["observed"] <= table["high"]),
        below=table["observed"] < table["low"],
        above=table["observed"] > table["high"],
    )
    out = table.groupby(by, observed=True).agg(
        forecasts=("held", "size"),
        held=("held", "mean"),
        below=("below", "mean"),
        above=("above", "mean"),
        expected=("expected", "sum"),
        observed=("observed", "sum"),
    )
    out["observed_over_expected"] = out["observed"] / out["expected"]
    return out.drop(columns=["expected", "observed"]).reset_index()


def _markdown(table: pd.DataFrame) -> str:
    lines = ["| " + " | ".join(table.columns) + " |", "|" + " --- |" * len(table.columns)]
    cells = ([f"{x:.3f}" if isinstance(x, float) else str(x) for x in row] for row in table.itertuples(index=False))
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in cells)])


def gather(fleets: range, folder: Path | None) -> pd.DataFrame:
    """Return the rows of all these fleets, from ``folder`` where they are kept."""
    frames = []
    for seed in fleets:
        kept = None if folder is None else folder / f"{seed}.csv"
        if kept is not None and kept.exists():
            frames.append(pd.read_csv(kept))
            continue
        name, plan = PLANS[seed % len(PLANS)]
        frames.append(pd.DataFrame(try_fleet(name, plan, 1000 + seed)))
        if kept is not None:
            frames[-1].to_csv(kept, index=False)
        if seed % 20 == 19:
            print(seed + 1, flush=True)
    return pd.concat(frames, ignore_index=True)


def main(fleets: int, folder: Path | None) -> None:
    """Run the study and write its tables."""
    table = gather(range(fleets), folder)
    edges = pd.cut(table["expected"], BINS, right=False)
    labels = [f"{a:g} to {b:g}" if b < 1e9 else f"{a:g} and more" for a, b in pairwise(BINS)]
    table["expected_failures"] = edges.cat.rename_categories(labels)
    target = table["expected"] >= 5
    verdict = summarise(table.assign(size=np.where(target, "5 and more", "below 5")), ["months", "size"])
    about = (
        f"{fleets} simulated fleets (invented), every component and duty cycle and the whole; command "
        f"`python -m tests.studies.forecast_coverage {fleets}`; Python {platform.python_version()}, numpy "
        f"{version('numpy')}, scipy {version('scipy')}, pandas {version('pandas')}, {platform.machine()}, 2 cores. "
        "`below`: fewer failures than the interval allows, `above`: more. Wanted: 0.85 to 0.95 of forecasts with 5 or "
        "more expected failures held, 0.88 to 0.99 below that (counts are whole)."
    )
    parts = {
        "By horizon": verdict,
        "By number expected": summarise(table, ["expected_failures"]),
        "By kind of fleet": summarise(table, ["plan", "months"]),
        "The whole fleet": summarise(table[table["kind"] == "all"], ["plan", "months"]),
    }
    blocks = [f"## {title}\n\n{_markdown(part)}" for title, part in parts.items()]
    text = "\n\n".join(["# Coverage of the forecast's 90 % intervals", about, *blocks])
    Path(__file__).with_suffix(".md").write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    where = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    if len(sys.argv) > 4:
        gather(range(int(sys.argv[3]), int(sys.argv[4])), where)
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 500, where)

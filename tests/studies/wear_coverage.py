"""How often the 90 % intervals of miles to the limit hold the truth, over simulated readings.

Run from the root of the repository: ``python -m tests.studies.wear_coverage [FLEETS]`` (default 60 per plan, some
minutes of one core). It rewrites ``tests/studies/wear_coverage.md``.
"""

import platform
import sys
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

from tests.studies.wear_fleet import WearPlan, measured_fleet, miles_left
from wearlab.answers.wear import Wear, measure_wear

LEVEL = 0.9
PLANS = (
    ("usual", WearPlan()),
    ("parts alike", WearPlan(spread=0.1)),
    ("parts unlike", WearPlan(spread=0.5)),
    ("few parts", WearPlan(parts=12)),
    ("often read", WearPlan(readings=(5, 9))),
    ("poorly read", WearPlan(error=0.0008)),
    ("replaced when worn", WearPlan(replaced_at=0.004)),
    ("greased unlike", WearPlan(practice=0.5)),
    ("greased unlike, to no effect", WearPlan(practice=1e-12)),
    ("each read once", WearPlan(parts=60, readings=(1, 1))),
)


def try_plan(name: str, plan: WearPlan, fleets: int) -> tuple[pd.DataFrame, dict[str, object]]:
    """Return one row per running part, its interval and the truth, and how the power of practice was found."""
    frames, powers = [], []
    for seed in range(fleets):
        history, crossing = measured_fleet(plan, 500 + seed)
        made = measure_wear(history, level=LEVEL)
        if not isinstance(made, Wear):
            continue
        true = pd.Series(miles_left(history, crossing), index=history.lives["unit_id"])
        parts = made.parts.assign(true=true.reindex(made.parts["unit_id"]).to_numpy(), plan=name)
        frames.append(parts[["plan", "measurements", "miles_to_limit", "low", "high", "true", "look_within"]])
        powers.append(made.rates.iloc[0][["practice_power", "practice_low", "practice_high", "practice_taken"]])
    found = pd.DataFrame(powers).dropna()
    held = (found["practice_low"] <= plan.practice) & (plan.practice <= found["practice_high"])
    row = {
        "plan": name,
        "planted": plan.practice,
        "fleets": len(found),
        "mean_found": float(found["practice_power"].astype(float).mean()),
        "held": float(held.mean()),
        "taken": float(found["practice_taken"].astype(float).mean()),
    }
    return pd.concat(frames, ignore_index=True), row


def summarise(table: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return coverage, both misses, and the median of forecast over truth."""
    high = table["high"].fillna(np.inf)
    ratio = (table["miles_to_limit"] / table["true"]).where(table["true"] > 0)
    table = table.assign(
        held=(table["low"] <= table["true"]) & (table["true"] <= high),
        sooner=table["true"] < table["low"],
        later=table["true"] > high,
        open_end=table["high"].isna(),
        passed_unseen=(table["true"] < table["look_within"]).where(table["look_within"] > 0),
        ratio=ratio,
    )
    return (
        table.groupby(by, sort=False, observed=True)
        .agg(
            parts=("held", "size"),
            held=("held", "mean"),
            sooner=("sooner", "mean"),
            later=("later", "mean"),
            open_end=("open_end", "mean"),
            passed_unseen=("passed_unseen", "mean"),
            median_ratio=("ratio", "median"),
        )
        .reset_index()
    )


def _markdown(table: pd.DataFrame) -> str:
    lines = ["| " + " | ".join(table.columns) + " |", "|" + " --- |" * len(table.columns)]
    cells = ([f"{x:.3f}" if isinstance(x, float) else str(x) for x in row] for row in table.itertuples(index=False))
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in cells)])


def main(fleets: int) -> None:
    """Run the study and write its tables."""
    tried = [try_plan(name, plan, fleets * (4 if plan.practice else 1)) for name, plan in PLANS]
    table = pd.concat([parts for parts, _ in tried], ignore_index=True)
    powers = pd.DataFrame([row for _, row in tried if row["fleets"]])
    usual = table[table["plan"] != "each read once"]
    often = pd.cut(usual["measurements"], [0, 1, 2, 4, 100], labels=["1", "2", "3 to 4", "5 and more"])
    about = (
        f"{fleets} simulated fleets per plan, {4 * fleets} where practice bears on wear (invented); "
        f"command `python -m tests.studies.wear_coverage {fleets}`; "
        f"Python {platform.python_version()}, numpy {version('numpy')}, scipy {version('scipy')}, "
        f"pandas {version('pandas')}, "
        f"{platform.machine()}, 2 cores. `sooner`: the limit is reached before the interval, `later`: after it; "
        "`open_end`: no upper end; `passed_unseen`: past the limit before the miles named for the next look, of parts "
        "that need no look at once (wanted: 0.05); `median_ratio`: forecast over truth. Where every part was read "
        "once, parts cannot be told from reading error, and the answer says so."
    )
    practice = "The power of miles per stop in the rate, with its 90 % interval; `taken`: shown beyond chance, so used."
    blocks = [
        f"## By plan\n\n{_markdown(summarise(table, ['plan']))}",
        f"## Practice\n\n{practice}\n\n{_markdown(powers)}",
        f"## By number of readings\n\n{_markdown(summarise(usual.assign(readings=often), ['readings']))}",
    ]
    text = "\n\n".join(["# Coverage of the 90 % intervals of miles to the limit", about, *blocks])
    Path(__file__).with_suffix(".md").write_text(text + "\n", encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60)

"""Counted gaps summed up per truck and class in plain Python, loop by loop: what the SQL summary is compared with."""

import statistics
from typing import Any

import pandas as pd


def summarise(gaps: pd.DataFrame) -> pd.DataFrame:
    """Return what ``split_spread`` reads; ``gaps`` by truck and date, with ``era_no``, ``duty_cycle``, ``miles``."""
    rows: list[dict[str, Any]] = []
    for (unit, duty), mine in gaps.groupby(["unit_no", "duty_cycle"], sort=True):
        blocks: list[list[float]] = []
        for _, era in mine.groupby("era_no", sort=True):
            miles = era["miles"].tolist()
            blocks += [miles[at : at + 5] for at in range(0, len(miles), 5)]
        mean = statistics.fmean(mine["miles"])
        rows.append(
            {
                "unit_no": unit,
                "shop": mine["shop"].iloc[0],
                "duty_cycle": duty,
                "gaps": len(mine),
                "truck_mean": mean,
                "within_blocks": sum((x - statistics.fmean(block)) ** 2 for block in blocks for x in block),
                "between_blocks": sum(len(block) * (statistics.fmean(block) - mean) ** 2 for block in blocks),
                "blocks": len(blocks),
                "block_gaps_squared": sum(len(block) ** 2 for block in blocks),
            }
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


COLUMNS = (
    "unit_no", "shop", "duty_cycle", "gaps", "truck_mean", "within_blocks", "between_blocks", "blocks",
    "block_gaps_squared",
)  # fmt: skip

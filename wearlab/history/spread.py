"""How much regrease gaps differ: within five of a truck, from five to five, between the trucks of a shop."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class GapSpread:
    """Variances of a gap as a share of its class mean: gap to gap, five to five of one truck, truck to truck."""

    gap: float
    local: float
    truck: float


def split_spread(summary: pd.DataFrame) -> GapSpread:
    """Return the variance components of counted gaps, by the method of moments for nested, unbalanced groups.

    ``summary`` has one row per truck and duty cycle, in this order (``sql/lives/gap_summary.sql``): ``unit_no``,
    ``shop``, ``duty_cycle``, ``gaps``, ``truck_mean``, ``within_blocks``, ``between_blocks`` (squares), ``blocks``,
    ``block_gaps_squared``. Every gap is divided by the mean of its duty cycle; blocks are up to five consecutive gaps
    of one truck in one era; trucks are nested in shop and class. Sums of squares are set equal to their expectations
    (Henderson's method 1; Searle, Casella and McCulloch 1992, Variance Components, chapter 5); a negative component
    is 0. All are 0 where no block has two gaps: then nothing is shrunken.
    """
    if summary.empty:
        return GapSpread(0.0, 0.0, 0.0)
    duty = _number([summary["duty_cycle"]])
    group = _number([summary["shop"], summary["duty_cycle"]])
    gaps = summary["gaps"].to_numpy(dtype=float)
    class_mean = (np.bincount(duty, gaps * summary["truck_mean"].to_numpy(dtype=float)) / np.bincount(duty, gaps))[duty]
    mean = summary["truck_mean"].to_numpy(dtype=float) / class_mean
    total, blocks = gaps.sum(), summary["blocks"].sum()
    trucks, groups = len(summary), int(group.max()) + 1
    if total == blocks:
        return GapSpread(0.0, 0.0, 0.0)
    gap = float((summary["within_blocks"] / class_mean**2).sum()) / (total - blocks)
    between_blocks = float((summary["between_blocks"] / class_mean**2).sum())
    of_blocks = summary["block_gaps_squared"].to_numpy(dtype=float)
    of_group = np.bincount(group, gaps)
    blocks_in_truck, trucks_in_group = float((of_blocks / gaps).sum()), float((gaps**2 / of_group[group]).sum())
    local = _ratio(between_blocks - gap * (blocks - trucks), total - blocks_in_truck)
    between_trucks = float((gaps * (mean - (np.bincount(group, gaps * mean) / of_group)[group]) ** 2).sum())
    expected = gap * (trucks - groups) + local * (blocks_in_truck - float((of_blocks / of_group[group]).sum()))
    return GapSpread(gap, local, _ratio(between_trucks - expected, total - trucks_in_group))


def average_by_class(summary: pd.DataFrame) -> pd.DataFrame:
    """Return the mean miles per stop of each shop and class, and of each class (``whole_class``, no shop)."""
    told = summary.assign(miles=summary["gaps"] * summary["truck_mean"])
    both = pd.concat(
        [
            _means(told.dropna(subset=["shop"]), ["duty_cycle", "shop"]).assign(whole_class=False),
            _means(told, ["duty_cycle"]).assign(shop=None, whole_class=True),
        ],
        ignore_index=True,
    )
    return pd.DataFrame(
        {
            "shop": both["shop"].astype("string"),
            "duty_cycle": both["duty_cycle"].astype("string"),
            "mean_miles": both["mean_miles"].astype(float),
            "whole_class": both["whole_class"].astype(bool),
        }
    )


def _means(told: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    sums = told.groupby(keys, sort=True)[["miles", "gaps"]].sum().reset_index()
    return sums.assign(mean_miles=sums["miles"] / sums["gaps"])[[*keys, "mean_miles"]]


def _number(columns: list[pd.Series]) -> Ints:
    frame = pd.DataFrame({i: column.to_numpy() for i, column in enumerate(columns)})
    number = frame.groupby(list(frame.columns), sort=True, dropna=False).ngroup()
    return np.asarray(number, dtype=np.int64)


def _ratio(top: float, bottom: float) -> float:
    return max(top / bottom, 0.0) if bottom > 1e-9 else 0.0

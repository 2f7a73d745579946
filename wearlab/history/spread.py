"""How much regrease gaps differ: within five of a truck, from five to five, between the trucks of a shop."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
BLOCK = 5  # the practice of a truck is the mean of its last five gaps


@dataclass(frozen=True, slots=True)
class GapSpread:
    """Variances of a gap as a share of its class mean: gap to gap, five to five of one truck, truck to truck."""

    gap: float
    local: float
    truck: float


def split_spread(gaps: pd.DataFrame) -> GapSpread:
    """Return the variance components of counted gaps, by the method of moments for nested, unbalanced groups.

    ``gaps`` has ``unit_no``, ``shop``, ``duty_cycle``, ``era_no``, ``miles``, ordered by truck and date. Every gap is
    divided by the mean of its duty cycle; blocks are up to five consecutive gaps of one truck in one era; trucks are
    nested in shop and class. Sums of squares are set equal to their expectations (Henderson's method 1; Searle,
    Casella and McCulloch 1992, Variance Components, chapter 5); a negative component is 0. All are 0 where no block
    has two gaps: then nothing is shrunken.
    """
    if gaps.empty:
        return GapSpread(0.0, 0.0, 0.0)
    truck = _number([gaps["unit_no"], gaps["duty_cycle"]])
    group = _number([gaps["shop"], gaps["duty_cycle"]])
    run = _number([gaps["unit_no"], gaps["era_no"]])
    block = _number([pd.Series(run), pd.Series(_place_in(run) // BLOCK)])
    duty = _number([gaps["duty_cycle"]])
    miles = gaps["miles"].to_numpy(dtype=float)
    share = miles / (np.bincount(duty, miles) / np.bincount(duty))[duty]
    within = float(((share - _means(share, block)) ** 2).sum())
    total, blocks, trucks, groups = len(share), _many(block), _many(truck), _many(group)
    if total == blocks:
        return GapSpread(0.0, 0.0, 0.0)
    gap = within / (total - blocks)
    between_blocks = float(((_means(share, block) - _means(share, truck)) ** 2).sum())
    local = _ratio(between_blocks - gap * (blocks - trucks), total - _squares(block, truck))
    between_trucks = float(((_means(share, truck) - _means(share, group)) ** 2).sum())
    expected = gap * (trucks - groups) + local * (_squares(block, truck) - _squares(block, group))
    return GapSpread(gap, local, _ratio(between_trucks - expected, total - _squares(truck, group)))


def average_by_class(gaps: pd.DataFrame) -> pd.DataFrame:
    """Return the mean miles per stop of each shop and class, and of each class (``whole_class``, no shop)."""
    by_class = gaps.groupby("duty_cycle", sort=True)["miles"].mean().reset_index().assign(shop=None, whole_class=True)
    by_shop = gaps.dropna(subset=["shop"]).groupby(["duty_cycle", "shop"], sort=True)["miles"].mean().reset_index()
    both = pd.concat([by_shop.assign(whole_class=False), by_class], ignore_index=True)
    return pd.DataFrame(
        {
            "shop": both["shop"].astype("string"),
            "duty_cycle": both["duty_cycle"].astype("string"),
            "mean_miles": both["miles"].astype(float),
            "whole_class": both["whole_class"].astype(bool),
        }
    )


def _number(columns: list[pd.Series]) -> Ints:
    frame = pd.DataFrame({i: column.to_numpy() for i, column in enumerate(columns)})
    number = frame.groupby(list(frame.columns), sort=True, dropna=False).ngroup()
    return np.asarray(number, dtype=np.int64)


def _place_in(run: Ints) -> Ints:
    return np.asarray(pd.Series(run).groupby(run).cumcount(), dtype=np.int64)


def _many(number: Ints) -> int:
    return int(number.max()) + 1


def _means(values: Floats, number: Ints) -> Floats:
    means: Floats = (np.bincount(number, values) / np.bincount(number))[number]
    return means


def _squares(inner: Ints, outer: Ints) -> float:
    """Return the sum over outer groups of the squared sizes of their inner groups, divided by the outer size."""
    size = np.bincount(inner).astype(float)
    outer_of = np.zeros(len(size), dtype=np.int64)
    outer_of[inner] = outer
    return float((np.bincount(outer_of, size**2) / np.bincount(outer).astype(float)).sum())


def _ratio(top: float, bottom: float) -> float:
    return max(top / bottom, 0.0) if bottom > 1e-9 else 0.0

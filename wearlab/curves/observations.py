"""Lives as the arrays that every likelihood reads."""

from dataclasses import dataclass
from typing import Self

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.evidence import DataError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Observations:
    """Lives as arrays of one length, in one scale of age.

    A life was watched from age ``entry`` (0 = from new) to ``exit``. ``failed`` lives failed at ``exit``, or, where
    ``lower`` < ``upper``, somewhere in (lower, upper]; then ``exit`` = ``upper`` and ``lower`` ≥ ``entry``. NaN in
    ``lower`` and ``upper`` means an exact age. ``count`` like lives stand behind one row. ``truck`` numbers the trucks.
    """

    entry: FloatArray
    exit: FloatArray
    failed: BoolArray
    lower: FloatArray
    upper: FloatArray
    count: FloatArray
    truck: IntArray

    def __len__(self) -> int:
        return len(self.exit)

    def take(self, rows: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> Self:
        """Return the named rows only, in that order; truck codes are kept."""
        return type(self)(
            self.entry[rows],
            self.exit[rows],
            self.failed[rows],
            self.lower[rows],
            self.upper[rows],
            self.count[rows],
            self.truck[rows],
        )

    @property
    def between(self) -> BoolArray:
        """Failures known only to lie between two ages."""
        return self.failed & (self.lower < self.upper)

    @property
    def lives(self) -> int:
        """Number of lives, counts included."""
        return round(float(self.count.sum()))

    @property
    def failures(self) -> int:
        """Number of failures, counts included."""
        return round(float(self.count[self.failed].sum()))


def make_observations(
    exit_: npt.ArrayLike,
    failed: npt.ArrayLike,
    *,
    entry: npt.ArrayLike | None = None,
    lower: npt.ArrayLike | None = None,
    upper: npt.ArrayLike | None = None,
    count: npt.ArrayLike | None = None,
    truck: npt.ArrayLike | None = None,
) -> Observations:
    """Return checked observations from plain arrays; each life is its own truck unless ``truck`` says otherwise.

    Refuses (DataError) what no likelihood can use: lengths that differ, ages or counts that are not finite, ``exit``
    not above ``entry``, a ``failed`` other than 0 and 1, negative counts, lower above upper.
    """
    ends = np.asarray(exit_, dtype=np.float64)
    rows = len(ends)

    def column(values: npt.ArrayLike | None, default: float) -> FloatArray:
        return np.full(rows, default) if values is None else np.asarray(values, dtype=np.float64)

    flags, entries, counts = column(failed, 0.0), column(entry, 0.0), column(count, 1.0)
    lowers, uppers = column(lower, np.nan), column(upper, np.nan)
    trucks = np.arange(rows) if truck is None else np.asarray(truck, dtype=np.int64)
    if any(len(values) != rows for values in (flags, entries, counts, lowers, uppers, trucks)):
        raise DataError("uneven-columns", "the columns of the lives differ in length")
    is_failed = flags == 1.0
    interval = is_failed & (lowers < uppers)
    ends = np.where(interval, uppers, ends)
    bad = _first_fault(ends, flags, entries, counts, lowers, uppers)
    if bad is not None:
        raise DataError("unusable-life", f"life {bad[0]}: {bad[1]}", "leave such lives out, or mend them")
    lowers = np.where(interval, np.maximum(lowers, entries), np.nan)
    return Observations(entries, ends, is_failed, lowers, np.where(interval, uppers, np.nan), counts, trucks)


def _first_fault(
    ends: FloatArray, flags: FloatArray, entries: FloatArray, counts: FloatArray, lowers: FloatArray, uppers: FloatArray
) -> tuple[int, str] | None:
    """Return the first unusable row with the reason, or None."""
    checks = (
        (~np.isin(flags, (0.0, 1.0)), "failed is neither 0 nor 1"),
        (~(np.isfinite(entries) & (entries >= 0)), "entry is not a finite age of 0 or more"),
        (~(np.isfinite(ends) & (ends > entries)), "exit is not a finite age above entry"),
        (~(np.isfinite(counts) & (counts >= 0)), "count is not a number of 0 or more"),
        ((flags == 1.0) & (lowers > uppers), "lower is above upper"),
    )
    for wrong, reason in checks:
        if wrong.any():
            return int(np.argmax(wrong)), reason
    return None


def observations(table: pd.DataFrame) -> Observations:
    """Return the fittable lives of a lives table (DEVELOPERS.md) as arrays, in the table's order.

    Trucks are numbered in the order of their sorted ``unit_id``; a life without ``unit_id`` is a truck of its own.
    """
    lives = table[table["fittable"].to_numpy(dtype=bool)]
    return make_observations(
        lives["exit"],
        lives["failed"].to_numpy(dtype=bool),
        entry=lives["entry"],
        lower=lives["lower"],
        upper=lives["upper"],
        count=lives["count"],
        truck=_truck_codes(lives),
    )


def _truck_codes(lives: pd.DataFrame) -> IntArray:
    codes = pd.factorize(lives["unit_id"], sort=True)[0].astype(np.int64)
    nameless = codes < 0
    codes[nameless] = codes.max(initial=-1) + 1 + np.arange(nameless.sum())
    return codes

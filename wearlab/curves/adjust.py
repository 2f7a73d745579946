"""What else differs between two classes of lives, as columns to be held equal."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearlab.curves.observations import BoolArray, FloatArray, IntArray

LOOKED_AT = ("hardware", "model_year", "axle_ratio")
APART_NUMBER, APART_SHARE = 0.2, 0.10  # standard deviations, or shares, by which classes must differ to matter
NO_OVERLAP = 3.0  # standard deviations within classes: further apart, a number cannot be held equal
FEW = 3  # failures that a kind needs to have a column of its own


@dataclass(frozen=True, slots=True)
class OtherDifferences:
    """The columns to hold equal (lives × columns, without constant), and the names of what they stand for.

    ``stratum`` numbers the lives that are alike in all of it: the same kinds, the same third of each number.
    """

    columns: FloatArray
    names: tuple[str, ...]
    stratum: IntArray


def find_differences(table: pd.DataFrame, second: BoolArray, *, factor: str) -> OtherDifferences:
    """Return hardware, model year and axle ratio as columns where they differ between the two classes of lives.

    A number stands as itself, centred and scaled; a kind as one column per kind with failures enough. What does not
    vary within a class, or in which the classes hardly overlap, cannot be held equal and is left out.
    """
    columns: list[FloatArray] = []
    names: list[str] = []
    for name in LOOKED_AT:
        if name == factor or name not in table or table[name].isna().mean() > 0.05:
            continue
        found = _as_columns(table[name], table["failed"].to_numpy(dtype=bool), second)
        if found is not None and _adds(columns, found, second):
            columns.append(found)
            names.append(name)
    matrix = np.column_stack(columns) if columns else np.zeros((len(table), 0))
    alike = [_as_groups(table[name]) for name in names]
    rows = np.column_stack(alike) if alike else np.zeros((len(table), 1), dtype=np.int64)
    stratum = np.unique(rows, axis=0, return_inverse=True)[1]
    return OtherDifferences(matrix, tuple(names), np.asarray(stratum, dtype=np.int64).ravel())


def _is_number(values: pd.Series) -> bool:
    numbers = pd.to_numeric(values, errors="coerce")
    return bool(numbers.notna().sum() == values.notna().sum() and numbers.nunique() > 2)


def _as_groups(values: pd.Series) -> IntArray:
    """Return each life's kind as a number, or in which third of the numbers it lies; a missing value is the last."""
    if not _is_number(values):
        return np.asarray(pd.factorize(values.astype(object).where(values.notna(), "\uffff"), sort=True)[0], np.int64)
    numbers = pd.to_numeric(values, errors="coerce").to_numpy(dtype=np.float64)
    known = numbers[np.isfinite(numbers)]
    return np.where(np.isfinite(numbers), np.searchsorted(np.quantile(known, [1 / 3, 2 / 3]), numbers), 3)


def _as_columns(values: pd.Series, failed: BoolArray, second: BoolArray) -> FloatArray | None:
    """Return one factor as columns, or None where the classes do not differ in it."""
    numbers = pd.to_numeric(values, errors="coerce")
    if _is_number(values):
        number = numbers.fillna(numbers.mean()).to_numpy(dtype=np.float64)
        spread, gap = float(number.std()), abs(float(number[second].mean() - number[~second].mean()))
        within = float(np.sqrt(0.5 * (number[second].var() + number[~second].var())))
        if gap < APART_NUMBER * spread or gap > NO_OVERLAP * within:
            return None
        return np.asarray(((number - number.mean()) / spread)[:, None], dtype=np.float64)
    kinds = values.astype(object).where(values.notna(), "")
    common = kinds.value_counts().index
    each = [(kinds == kind).to_numpy(dtype=bool) for kind in common[1:]]
    kept = [kind for kind in each if kind[failed].sum() >= FEW]
    apart = [abs(float(kind[second].mean()) - float(kind[~second].mean())) for kind in kept]
    if not kept or max(apart) < APART_SHARE:
        return None
    return np.column_stack(kept).astype(np.float64)


def _adds(columns: list[FloatArray], found: FloatArray, second: BoolArray) -> bool:
    """Return whether the new columns are not a mix of the class and the columns before."""
    before = np.column_stack([np.ones(len(second)), second.astype(np.float64), *columns])
    both = np.column_stack([before, found])
    return bool(np.linalg.matrix_rank(both, tol=1e-6 * len(second)) == both.shape[1])

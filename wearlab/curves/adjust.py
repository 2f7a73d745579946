"""What else differs between two classes of lives, as columns to be held equal."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearlab.curves.observations import BoolArray, FloatArray

LOOKED_AT = ("hardware", "model_year", "axle_ratio")
APART_NUMBER, APART_SHARE = 0.2, 0.10  # standard deviations, or shares, by which classes must differ to matter
NO_OVERLAP = 3.0  # standard deviations within classes: further apart, a number cannot be held equal
FEW = 3  # failures that a kind needs to have a column of its own


@dataclass(frozen=True, slots=True)
class OtherDifferences:
    """The columns to hold equal (lives × columns, without constant), and the names of what they stand for."""

    columns: FloatArray
    names: tuple[str, ...]


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
    return OtherDifferences(matrix, tuple(names))


def _as_columns(values: pd.Series, failed: BoolArray, second: BoolArray) -> FloatArray | None:
    """Return one factor as columns, or None where the classes do not differ in it."""
    numbers = pd.to_numeric(values, errors="coerce")
    if numbers.notna().sum() == values.notna().sum() and numbers.nunique() > 2:
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

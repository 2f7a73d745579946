"""Two tables compared row for row and column for column."""

import numpy as np
import pandas as pd


def differences(found: pd.DataFrame, wanted: pd.DataFrame, *, relative: float = 1e-12) -> list[str]:
    """Return what differs, in words: rows, columns, or values (reals by more than ``relative``); empty = the same."""
    if list(found.columns) != list(wanted.columns):
        return [f"columns {list(found.columns)} against {list(wanted.columns)}"]
    if len(found) != len(wanted):
        return [f"{len(found)} rows against {len(wanted)}"]
    said = []
    for name in wanted.columns:
        one, other = found[name], wanted[name]
        if pd.api.types.is_float_dtype(other.dtype):
            same = np.isclose(one.to_numpy(float), other.to_numpy(float), rtol=relative, atol=0.0, equal_nan=True)
        else:
            same = ((one == other) | (one.isna() & other.isna())).to_numpy(bool)
        if not same.all():
            at = int(np.flatnonzero(~same)[0])
            said.append(f"{name}: {int((~same).sum())} values, first {one.iloc[at]!r} against {other.iloc[at]!r}")
    return said

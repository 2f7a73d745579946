"""Fitted curves laid out over age, with their bands and the count straight from the records."""

import numpy as np
import pandas as pd

from wearlab.curves.batch import solve_rows
from wearlab.curves.counted import count_curve, watched_at
from wearlab.curves.fit import Fit, Fits
from wearlab.curves.interval import Limits, limit_failed_share
from wearlab.curves.newton import FloatArray, Rows

STEPS = 96  # ages at which a curve is laid out
BAND_EVERY = 4  # the band is smooth: every fourth age will do


def trace_curves(fits: Fits) -> pd.DataFrame:
    """Return each fitted stratum's curve at evenly spaced ages up to the oldest life watched.

    Columns: those of the strata, ``age``, ``survival`` (fitted), ``low`` and ``high`` (its likelihood-ratio interval
    at the level of the fits, at every fourth age, else null), ``observed`` (Kaplan-Meier) and ``at_risk`` (lives under
    watch at that age). Strata without a curve have no rows.
    """
    items = [item for item in fits.items if isinstance(item, Fit)]
    names = [*fits.columns, "age", "survival", "low", "high", "observed", "at_risk"]
    if not items:
        return pd.DataFrame(columns=names)
    shares = np.linspace(0.0, 1.0, STEPS + 1)
    oldest = np.array([float(item.observations.exit.max()) for item in items])
    low, high = _bands(items, shares, oldest, fits.basis.level)
    frames = [
        _trace(item, shares * oldest[number], low[:, number], high[:, number]) for number, item in enumerate(items)
    ]
    return pd.concat(frames, ignore_index=True)[names]


def _trace(item: Fit, age: FloatArray, low: FloatArray, high: FloatArray) -> pd.DataFrame:
    survival = item.curve.survival(age)
    watched = watched_at(item.observations, age)
    watched[0] = float(item.observations.count[item.observations.entry == 0].sum())
    columns = {
        "age": age,
        "survival": survival,
        "low": np.minimum(low, survival),
        "high": np.maximum(high, survival),
        "observed": count_curve(item.observations).survival_at(age),
        "at_risk": watched,
    }
    return pd.DataFrame(dict(item.stratum) | columns)


def _bands(items: list[Fit], shares: FloatArray, oldest: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    """Return both ends of the survival's interval, one row per age and one column per stratum."""
    rows = _joined(items)
    found = solve_rows(rows)
    low, high = (np.full((len(shares), len(items)), np.nan) for _ in range(2))
    low[0], high[0] = 1.0, 1.0
    for place in range(BAND_EVERY, len(shares), BAND_EVERY):
        limits: Limits = limit_failed_share(rows, found, shares[place] * oldest, level=level)
        low[place], high[place] = 1.0 - limits.high, 1.0 - limits.low
    return low, high


def _joined(items: list[Fit]) -> Rows:
    parts = [item.observations for item in items]
    start = np.concatenate(([0], np.cumsum([len(part) for part in parts])[:-1])).astype(np.int64)

    def join(name: str) -> FloatArray:
        return np.concatenate([getattr(part, name) for part in parts])

    failed = np.concatenate([part.failed for part in parts])
    return Rows(start, join("entry"), join("exit"), failed, join("lower"), join("upper"), join("count"))

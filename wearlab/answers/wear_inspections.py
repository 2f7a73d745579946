"""When measured parts should be looked at again: before they may pass their limit unseen.

A part's chance of being past its limit at an age is that of its line there (start and rate with their doubt); the date
of its next look is the age at which that chance reaches UNSEEN. For a class, the interval is the way from WATCH of the
limit to the limit at the rate of its fast parts (the 95th percentile): whatever was found below WATCH is then seen
again in time, and what stands above it has a date of its own.
"""

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm
from scipy.stats import t as student

from wearlab.answers.wear_rates import Lines

FloatArray = npt.NDArray[np.float64]

UNSEEN = 0.05
WATCH = 2 / 3
FAST = 0.95
HALVINGS = 50


def chance_past(lines: Lines, limit: float, age: FloatArray) -> FloatArray:
    """Return each part's chance that its wear is at or past the limit at an age."""
    middle = lines.start + lines.rate * age
    spread = lines.covariance[:, 0, 0] + age * (2 * lines.covariance[:, 0, 1] + age * lines.covariance[:, 1, 1])
    goal = float(lines.straighten(np.array([limit]))[0])
    return np.asarray(student.cdf((middle - goal) / np.sqrt(np.maximum(spread, 1e-300)), lines.freedom))


def look_within(lines: Lines, limit: float, now: FloatArray, reach: float) -> FloatArray:
    """Return the miles from ``now`` until each part's chance of being past the limit is UNSEEN, at most ``reach``.

    0 where it already is; NaN where it is not within reach.
    """

    def over(ahead: FloatArray) -> npt.NDArray[np.bool_]:
        return chance_past(lines, limit, now + ahead) >= UNSEEN

    low, high = np.zeros(len(now)), np.full(len(now), reach)
    reached, at_once = over(high), over(low)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        past = over(middle)
        low, high = np.where(past, low, middle), np.where(past, middle, high)
    return np.where(at_once, 0.0, np.where(reached, high, np.nan))


def usual_gap(rows: pd.DataFrame) -> float:
    """Return the median miles between two looks at one part; NaN where no part was looked at twice."""
    ages = rows.drop_duplicates(["life_id", "age_miles"]).sort_values(["life_id", "age_miles"], kind="stable")
    gaps = ages.groupby("life_id")["age_miles"].diff().dropna()
    return float(gaps.median()) if len(gaps) else float("nan")


def look_every(lines: Lines, limit: float) -> FloatArray:
    """Return for each class the miles within which every part found below WATCH of the limit is to be seen again."""
    ends = lines.straighten(np.array([WATCH * limit, limit]))
    fast = lines.class_rate + norm.ppf(FAST) * lines.rate_spread
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(fast > 0, (ends[1] - ends[0]) / fast, np.nan)


def next_looks(
    lines: Lines, limit: float, measured: FloatArray, now: FloatArray, gap: FloatArray
) -> dict[str, FloatArray]:
    """Return by part the miles to its next usual look, its chance of being past the limit by then, and by when to look.

    ``measured``: age at the last look; ``gap``: usual miles between looks.
    """
    ahead = np.maximum(measured + gap - now, 0.0)
    known = np.isfinite(ahead)
    chance = np.where(known, chance_past(lines, limit, now + np.nan_to_num(ahead)), np.nan)
    reach = 4.0 * float(np.nanmax(np.maximum(now, 1.0)))
    return {
        "miles_to_next_look": ahead,
        "chance_past_by_then": chance,
        "look_within": look_within(lines, limit, now, reach),
    }

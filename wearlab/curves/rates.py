"""Failures per unit of exposure, with an interval that knows that trucks differ."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import gamma

from wearlab.curves.observations import FloatArray, IntArray

ENOUGH_TRUCKS = 20  # below this the spread between trucks is not estimated


@dataclass(frozen=True, slots=True)
class Rate:
    """Failures per unit of exposure with its two-sided interval; ``spread`` multiplies the Poisson variance."""

    value: float
    low: float
    high: float
    spread: float


def rate_failures(failures: FloatArray, exposure: FloatArray, truck: IntArray, *, level: float) -> Rate | None:
    """Return the rate of failures of lives grouped by truck; None without exposure.

    The exact Poisson interval (Garwood 1936, Biometrika 28), its count and exposure both divided by the spread: the
    ratio of the variance between trucks to the Poisson one, never below 1 (quasi-Poisson; McCullagh & Nelder 1989).
    """
    total, watched = float(failures.sum()), float(exposure.sum())
    if watched <= 0:
        return None
    rate = total / watched
    spread = _spread(failures, exposure, truck, rate)
    tail = 0.5 * (1.0 - level)
    count, miles = total / spread, watched / spread
    low = float(gamma.ppf(tail, count)) / miles if count > 0 else 0.0
    return Rate(rate, low, float(gamma.ppf(1.0 - tail, count + 1.0)) / miles, spread)


def _spread(failures: FloatArray, exposure: FloatArray, truck: IntArray, rate: float) -> float:
    codes = np.unique(truck, return_inverse=True)[1]
    trucks = int(codes.max()) + 1
    if trucks < ENOUGH_TRUCKS or trucks == len(codes) or rate == 0.0:
        return 1.0
    excess = np.bincount(codes, failures - rate * exposure)
    return max(1.0, float(np.sum(excess**2)) / float(failures.sum()) * trucks / (trucks - 1))

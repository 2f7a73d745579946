"""Failures that come again at one place: the mean cumulative number, and whether successive lives are alike.

Before lives of first and later parts are fitted as one population, it must be seen that the rate of failure at a place
does not drift as parts follow one another (repairs that do not restore, a worn yoke that eats its joints).
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2, norm

from wearlab.curves.observations import FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Window:
    """Places watched from ``start`` to ``end`` (ages since the place was first fitted), grouped by truck."""

    start: FloatArray
    end: FloatArray
    truck: IntArray


@dataclass(frozen=True, slots=True)
class MeanNumber:
    """The mean number of failures per place by each age, with a robust standard error and two-sided interval."""

    age: FloatArray
    number: FloatArray
    error: FloatArray
    low: FloatArray
    high: FloatArray
    at_risk: FloatArray


@dataclass(frozen=True, slots=True)
class Trend:
    """Whether failures of a place come faster or slower with its age.

    ``beta`` of the power law M(t) = (t/η)^β: above 1 they come faster. ``z``: Laplace's statistic, its variance by
    truck; ``p_value`` two-sided.
    """

    events: int
    beta: float
    eta: float
    log_likelihood: float
    z: float
    p_value: float


def count_mean_number(
    window: Window, place: IntArray, age: FloatArray, ages: FloatArray, *, level: float
) -> MeanNumber:
    """Return the mean cumulative number of failures per place; event i happened at ``place[i]`` at ``age[i]``.

    A place whose window ends at t is still at risk at t, and two failures at one age count as two. A failure at the
    very start of its window finds at risk every place whose window starts there. The standard error is robust, trucks
    being independent (Lawless & Nadeau 1995, Technometrics 37); the interval symmetric in the log.
    """
    at_once = np.isin(window.start, age[age <= window.start[place]])
    window = replace(window, start=np.where(at_once, np.nextafter(window.start, -np.inf), window.start))
    at, step = np.unique(age, return_inverse=True)
    events = np.bincount(step, minlength=len(at)).astype(np.float64)
    at_risk = _watched(window, at)
    rate = events / at_risk
    number = np.cumsum(rate)
    trucks, code = np.unique(window.truck, return_inverse=True)
    out, error, watched = np.zeros(len(ages)), np.zeros(len(ages)), _watched(window, ages)
    first, last = np.searchsorted(at, window.start, side="right"), np.searchsorted(at, window.end, side="right")
    drift = np.concatenate(([0.0], np.cumsum(rate / at_risk)))
    for number_of, until in enumerate(ages):
        upto = int(np.searchsorted(at, until, side="right"))
        if upto == 0:
            continue
        out[number_of] = number[upto - 1]
        influence = drift[np.minimum(first, upto)] - drift[np.minimum(last, upto)]
        counted = age <= until
        influence += np.bincount(place[counted], 1.0 / at_risk[step[counted]], len(window.start))
        error[number_of] = np.sqrt(np.sum(np.bincount(code, influence, len(trucks)) ** 2))
    reach = np.exp(float(norm.ppf(0.5 + 0.5 * level)) * error / np.where(out > 0, out, 1.0))
    return MeanNumber(ages, out, error, out / reach, out * reach, watched)


def _watched(window: Window, age: FloatArray) -> FloatArray:
    started = np.searchsorted(np.sort(window.start), age, side="left")
    ended = np.searchsorted(np.sort(window.end), age, side="left")
    return np.asarray(started - ended, dtype=np.float64)


def find_trend(window: Window, place: IntArray, age: FloatArray) -> Trend | None:
    """Return the power law of the failures of places and Laplace's test of no trend; None for fewer than two events.

    The likelihood is that of a Poisson process of rate (β/η)(t/η)^(β−1) over each window (Crow 1974). Laplace's
    statistic compares the mean age of the events with the middle of their windows; its variance is the larger of the
    Poisson one and the sum over trucks of squared contributions (Lawless & Nadeau 1995; Ascher & Feingold 1984).
    """
    if len(age) < 2 or not (age > 0).any():
        return None
    beta, eta, value = _fit_power_law(window, age)
    middle, span = 0.5 * (window.start + window.end), window.end - window.start
    count = np.bincount(place, minlength=len(window.start))
    gaps = np.bincount(place, age - middle[place], len(window.start))
    poisson = float(np.sum(count * span**2 / 12.0))
    code = np.unique(window.truck, return_inverse=True)[1]
    by_truck = np.bincount(code, gaps)
    repeated = len(by_truck) < len(age) and len(by_truck) >= 10
    variance = max(poisson, float(np.sum(by_truck**2))) if repeated else poisson
    if variance <= 0:
        return None
    z = float(gaps.sum() / np.sqrt(variance))
    return Trend(len(age), beta, eta, value, z, float(2.0 * norm.sf(abs(z))))


def _fit_power_law(window: Window, age: FloatArray) -> tuple[float, float, float]:
    """Return β, η and the log-likelihood of the power law, by Newton in log β with a bracket."""
    top = float(window.end.max())
    end, start, logs = window.end / top, window.start / top, np.log(np.maximum(age / top, 1e-12))
    events = len(age)
    log_end, log_start = (np.log(np.where(ages > 0, ages, 1.0)) for ages in (end, start))
    low, high, log_beta = -6.0, 6.0, 0.0
    for _ in range(200):
        beta = np.exp(log_beta)
        full, gone = end**beta, np.where(start > 0, start**beta, 0.0)
        mass = float(np.sum(full - gone))
        slope = events / beta + float(logs.sum()) - events * float(np.sum(full * log_end - gone * log_start)) / mass
        low, high = (log_beta, high) if slope > 0 else (low, log_beta)
        log_beta = 0.5 * (low + high)
        if high - low < 1e-14:
            break
    beta = float(np.exp(log_beta))
    mass = float(np.sum(end**beta - np.where(start > 0, start**beta, 0.0)))
    eta = top * (mass / events) ** (1.0 / beta)
    value = events * (np.log(beta) - beta * np.log(eta)) + (beta - 1.0) * float(np.sum(logs + np.log(top))) - events
    return beta, float(eta), float(value)


def military_handbook_test(end: float, age: FloatArray) -> tuple[float, int, float]:
    """Return 2·Σ ln(T/t), its degrees of freedom and two-sided p for one system watched to age T (MIL-HDBK-189)."""
    statistic = float(2.0 * np.sum(np.log(end / age)))
    freedom = 2 * len(age)
    tail = float(chi2.cdf(statistic, freedom))
    return statistic, freedom, float(2.0 * min(tail, 1.0 - tail))

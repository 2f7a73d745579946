"""Whether two groups of lives fail alike: the log-rank test, with trucks as the independent units."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from wearlab.curves.observations import BoolArray, FloatArray, IntArray, Observations


@dataclass(frozen=True, slots=True)
class LogRank:
    """Failures of the second group observed and expected if both failed alike, and how easily chance does that."""

    observed: float
    expected: float
    variance: float
    p_value: float | None


def compare_groups(obs: Observations, second: BoolArray, stratum: IntArray) -> LogRank:
    """Return the log-rank test of the lives in ``second`` against the others, within the strata numbered.

    At risk at t: entry < t ≤ exit; a failure known only between two ages counts in their middle. Lives of one truck
    are not independent: the variance is the larger of the usual one and the sum of squared truck contributions (the
    usual one alone where every truck has one life). Sources: Mantel (1966); Lin & Wei (1989), JASA 84, for the latter.
    """
    parts = [_score_stratum(obs.take(rows), second[rows]) for rows in _split(stratum)]
    order = np.concatenate(_split(stratum)) if parts else np.zeros(0, dtype=np.int64)
    observed, expected, usual = (sum(part[place] for part in parts) for place in range(3))
    influence = np.concatenate([part[3] for part in parts]) if parts else np.zeros(0)
    trucks, code = np.unique(obs.truck[order], return_inverse=True)
    variance = float(usual)
    if 1 < len(trucks) < len(order):
        by_truck = np.bincount(code, influence, len(trucks))
        variance = max(variance, float(np.sum(by_truck**2)) * len(trucks) / (len(trucks) - 1))
    p_value = float(chi2.sf((observed - expected) ** 2 / variance, 1)) if variance > 0 else None
    return LogRank(float(observed), float(expected), variance, p_value)


def _split(stratum: IntArray) -> list[IntArray]:
    return [np.flatnonzero(stratum == number) for number in np.unique(stratum)]


def _score_stratum(obs: Observations, second: BoolArray) -> tuple[float, float, float, FloatArray]:
    """Return observed, expected, the usual variance, and each life's share of observed − expected."""
    at = np.where(obs.between, 0.5 * (obs.lower + obs.upper), obs.exit)
    age, place = np.unique(at[obs.failed], return_inverse=True)
    failures = np.bincount(place, obs.count[obs.failed], len(age))
    watched = _watched(obs, at, obs.count, age)
    of_second = _watched(obs, at, obs.count * second, age)
    share = of_second / watched
    others = np.maximum(watched - failures, 0.0) / np.maximum(watched - 1.0, 1e-300)
    variance = float(np.sum(failures * share * (1.0 - share) * np.where(watched > 1.0, others, 0.0)))
    hazard = np.concatenate(([0.0], np.cumsum(failures / watched)))
    shared = np.concatenate(([0.0], np.cumsum(share * failures / watched)))
    last, first = np.searchsorted(age, at, side="right"), np.searchsorted(age, obs.entry, side="right")
    drift = second * (hazard[last] - hazard[first]) - (shared[last] - shared[first])
    own = np.zeros(len(obs))
    own[obs.failed] = second[obs.failed] - share[place]
    observed = float(np.sum(obs.count * (obs.failed & second)))
    return observed, float(np.sum(share * failures)), variance, obs.count * (own - drift)


def _watched(obs: Observations, ends: FloatArray, count: FloatArray, age: FloatArray) -> FloatArray:
    order, sooner = np.argsort(obs.entry, kind="stable"), np.argsort(ends, kind="stable")
    entered = np.concatenate(([0.0], np.cumsum(count[order])))
    left = np.concatenate(([0.0], np.cumsum(count[sooner])))
    before = entered[np.searchsorted(obs.entry[order], age, side="left")]
    gone = left[np.searchsorted(ends[sooner], age, side="left")]
    return np.asarray(before - gone, dtype=np.float64)

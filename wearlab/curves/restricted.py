"""Restricted mean life: the mean number of miles a part gives up to a stated age, with no curve assumed."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from wearlab.curves.counted import count_curve, thin_until
from wearlab.curves.observations import Observations


@dataclass(frozen=True, slots=True)
class RestrictedMean:
    """The mean of min(life, ``until``), with its two-sided interval."""

    until: float
    value: float
    low: float
    high: float


def mean_life_until(obs: Observations, until: float, *, level: float) -> RestrictedMean | None:
    """Return the area under the Kaplan-Meier curve up to an age.

    None where nothing is watched up to there, or where too few lives are watched at the first ages.

    The standard error sums each truck's influence, −∫ A(t)·dM(t)/Y(t) with A the area right of t, so that lives of one
    truck count together. Sources: Irwin (1949), J. Hyg. 47; the influence of Kaplan-Meier, Reid (1981), Ann. Stat. 9.
    """
    if not len(obs) or float(obs.exit.max()) < until or thin_until(obs) > 0:
        return None
    counted = count_curve(obs)
    inside = counted.age < until
    age, watched = counted.age[inside], counted.at_risk[inside]
    survival = np.concatenate(([1.0], counted.survival[inside]))
    edges = np.concatenate(([0.0], age, [until]))
    strips = survival * np.diff(edges)
    value = float(strips.sum())
    right = np.cumsum(strips[::-1])[::-1][1:]  # area right of each failure age
    per_failure = right / watched
    drift = np.concatenate(([0.0], np.cumsum(per_failure * counted.failures[inside] / watched)))
    at = np.where(obs.between, 0.5 * (obs.lower + obs.upper), obs.exit)
    last, first = np.searchsorted(age, at, side="right"), np.searchsorted(age, obs.entry, side="right")
    influence = drift[last] - drift[first]
    failed = obs.failed & (at < until)
    influence[failed] -= per_failure[np.searchsorted(age, at[failed])]
    trucks, code = np.unique(obs.truck, return_inverse=True)
    by_truck = np.bincount(code, influence * obs.count, len(trucks))
    error = float(np.sqrt(np.sum(by_truck**2) * len(trucks) / max(len(trucks) - 1, 1)))
    reach = float(norm.ppf(0.5 + 0.5 * level)) * error
    return RestrictedMean(until, value, max(value - reach, 0.0), min(value + reach, until))

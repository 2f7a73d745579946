"""Curves counted straight from the records, with no shape assumed: Kaplan-Meier and Nelson-Aalen, with late entry."""

from dataclasses import dataclass

import numpy as np

from wearlab.curves.observations import FloatArray, Observations


@dataclass(frozen=True, slots=True)
class Counted:
    """At each age at which something failed: the lives then watched, the failures, survival and cumulative hazard."""

    age: FloatArray
    at_risk: FloatArray
    failures: FloatArray
    survival: FloatArray
    cumulative_hazard: FloatArray

    def survival_at(self, age: FloatArray) -> FloatArray:
        """Return the counted share still running at each age; 1 before the first failure."""
        steps = np.concatenate(([1.0], self.survival))
        return np.asarray(steps[np.searchsorted(self.age, age, side="right")], dtype=np.float64)


def count_curve(obs: Observations) -> Counted:
    """Return the Kaplan-Meier and Nelson-Aalen estimates; at risk at t: entry < t ≤ exit; ties by d/n.

    A failure known only to lie between two ages counts in their middle. Sources: Kaplan & Meier (1958); Nelson (1969).
    """
    at = np.where(obs.between, 0.5 * (obs.lower + obs.upper), obs.exit)
    failed = obs.failed & (obs.count > 0)
    age, place = np.unique(at[failed], return_inverse=True)
    failures = np.bincount(place, obs.count[failed], len(age)).astype(np.float64)
    at_risk = watched_at(obs, age, at)
    hazard = np.asarray(failures / at_risk, dtype=np.float64)
    survival = np.asarray(np.cumprod(1.0 - hazard), dtype=np.float64)
    return Counted(age, at_risk, failures, survival, np.cumsum(hazard))


def watched_at(obs: Observations, age: FloatArray, ends: FloatArray | None = None) -> FloatArray:
    """Return the number of lives under watch at each age: entry < age ≤ end."""
    last = obs.exit if ends is None else ends
    return _count_below(obs.entry, obs.count, age) - _count_below(last, obs.count, age)


def _count_below(values: FloatArray, count: FloatArray, age: FloatArray) -> FloatArray:
    order = np.argsort(values, kind="stable")
    summed = np.concatenate(([0.0], np.cumsum(count[order])))
    return np.asarray(summed[np.searchsorted(values[order], age, side="left")], dtype=np.float64)

"""Curves counted straight from the records, with no shape assumed: Kaplan-Meier and Nelson-Aalen, with late entry."""

from dataclasses import dataclass, replace

import numpy as np

from wearlab.curves.observations import BoolArray, FloatArray, Observations

ENOUGH_WATCHED = 5  # lives under watch below which nothing is counted while more are still to come


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


def thin_until(obs: Observations) -> float:
    """Return the age up to which too few lives are watched for anything to be counted, though later there are more.

    Fewer than ``ENOUGH_WATCHED`` before their number has reached its height, at an age at which something failed; 0
    where there is no such age. Where lives enter late the first may stand alone, and the counted curve comes down to 0
    at their failures.
    """
    if not (obs.entry > 0).any():
        return 0.0
    counted = count_curve(obs)
    if not len(counted.age):
        return 0.0
    rising = np.arange(len(counted.age)) < int(np.argmax(counted.at_risk))
    thin = counted.age[rising & (counted.at_risk < ENOUGH_WATCHED)]
    return float(thin[-1]) if len(thin) else 0.0


def beyond(obs: Observations, age: float) -> BoolArray:
    """Return which lives are still watched beyond an age."""
    return np.asarray(np.where(obs.between, 0.5 * (obs.lower + obs.upper), obs.exit) > age, dtype=np.bool_)


def watch_from(obs: Observations, age: float) -> Observations:
    """Return the lives watched beyond an age, with their entry put there: they give the curve from it on."""
    part = obs.take(beyond(obs, age))
    entry = np.maximum(part.entry, age)
    return replace(part, entry=entry, lower=np.where(part.between, np.maximum(part.lower, entry), np.nan))

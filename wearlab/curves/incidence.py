"""Failure modes that compete: the share of parts that a given mode has failed by a given age."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import expit
from scipy.stats import norm

from wearlab.curves.observations import BoolArray, FloatArray, IntArray, Observations


@dataclass(frozen=True, slots=True)
class Incidence:
    """The share failed by one mode by each age, with its standard error and two-sided interval."""

    mode: str
    failures: int
    age: FloatArray
    share: FloatArray
    error: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, slots=True)
class Part:
    """What share of ``failures`` by an age a group of modes makes, with its two-sided interval."""

    age: float
    failures: int
    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class _Steps:
    """The counted curve of all modes at its failure ages."""

    age: FloatArray
    at_risk: FloatArray
    before: FloatArray  # survival just before each age
    hazard: FloatArray  # all modes together
    of_mode: FloatArray  # the mode's own part of it
    incidence: FloatArray


def count_incidence(
    obs: Observations, mode: npt.NDArray[np.object_], ages: FloatArray, *, level: float
) -> tuple[Incidence, ...]:
    """Return the cumulative incidence of each mode (name order) at ``ages``; ``mode`` names each failure's.

    The shares of all modes and the share still running add up to 1, which 1 − Kaplan-Meier of one mode does not do.
    Ties count as they are. Lives of one truck count together in the standard error (infinitesimal jackknife); the
    interval is symmetric in log(−log(1 − share)). A failure between two ages counts in their middle. Source: Aalen &
    Johansen (1978), Scand. J. Stat. 5.
    """
    at = np.where(obs.between, 0.5 * (obs.lower + obs.upper), obs.exit)
    found = sorted({str(name) for name in mode[obs.failed] if isinstance(name, str)})
    return tuple(_one_mode(obs, at, obs.failed & (mode == name), name, ages, level) for name in found)


def count_part(obs: Observations, part: BoolArray, rest: BoolArray, age: float, *, level: float) -> Part | None:
    """Return what share of the failures by an age the failures in ``part`` make, of those in ``part`` or ``rest``.

    The quotient of cumulative incidences, so that it does not hang on how long lives were watched; failures in neither
    compete too. Trucks are independent (infinitesimal jackknife); the interval is symmetric in the log odds. None
    where neither has a failure by then.
    """
    at = np.where(obs.between, 0.5 * (obs.lower + obs.upper), obs.exit)
    own, others = (_of_mode(obs, at, group, age) for group in (part, rest))
    total = own[0] + others[0]
    if total <= 0:
        return None
    share = own[0] / total
    trucks, code = np.unique(obs.truck, return_inverse=True)
    influence = ((1.0 - share) * own[1] - share * others[1]) / total
    error = float(np.sqrt(np.sum(np.bincount(code, obs.count * influence, len(trucks)) ** 2)))
    failures = round(float(obs.count[(part | rest) & (at <= age)].sum()))
    if not 0.0 < share < 1.0:
        return Part(age, failures, share, *_alone(share, failures, level))
    reach = float(norm.ppf(0.5 + 0.5 * level)) * error / (share * (1.0 - share))
    odds = np.log(share / (1.0 - share))
    return Part(age, failures, share, float(expit(odds - reach)), float(expit(odds + reach)))


def _alone(share: float, failures: int, level: float) -> tuple[float, float]:
    """Return the exact binomial interval of none or all of the failures (Clopper & Pearson 1934)."""
    reach = float((0.5 - 0.5 * level) ** (1.0 / max(failures, 1)))
    return (0.0, 1.0 - reach) if share == 0.0 else (reach, 1.0)


def _of_mode(obs: Observations, at: FloatArray, is_mode: BoolArray, age: float) -> tuple[float, FloatArray]:
    """Return the share failed by a mode by an age, and how much one more of each life would move it."""
    steps = _count_steps(obs, at, is_mode)
    upto = int(np.searchsorted(steps.age, age, side="right"))
    if not upto:
        return 0.0, np.zeros(len(obs))
    return float(steps.incidence[upto - 1]), _influence(obs, at, is_mode, steps, upto)


def _one_mode(
    obs: Observations, at: FloatArray, is_mode: BoolArray, name: str, ages: FloatArray, level: float
) -> Incidence:
    trucks, code = np.unique(obs.truck, return_inverse=True)
    share, error = np.zeros(len(ages)), np.zeros(len(ages))
    for place, age in enumerate(ages):
        share[place], influence = _of_mode(obs, at, is_mode, float(age))
        error[place] = np.sqrt(np.sum(np.bincount(code, obs.count * influence, len(trucks)) ** 2))
    low, high = _interval(share, error, level)
    return Incidence(name, round(float(obs.count[is_mode].sum())), ages, share, error, low, high)


def _count_steps(obs: Observations, at: FloatArray, is_mode: BoolArray) -> _Steps:
    age, place = np.unique(at[obs.failed], return_inverse=True)
    failures = np.bincount(place, obs.count[obs.failed], len(age))
    own = np.bincount(place, (obs.count * is_mode)[obs.failed], len(age))
    order, sooner = np.argsort(obs.entry, kind="stable"), np.argsort(at, kind="stable")
    entered = np.concatenate(([0.0], np.cumsum(obs.count[order])))[np.searchsorted(obs.entry[order], age, side="left")]
    left = np.concatenate(([0.0], np.cumsum(obs.count[sooner])))[np.searchsorted(at[sooner], age, side="left")]
    at_risk = entered - left
    hazard, of_mode = failures / at_risk, own / at_risk
    survival = np.cumprod(1.0 - hazard)
    before = np.concatenate(([1.0], survival[:-1]))
    return _Steps(age, at_risk, before, hazard, of_mode, np.cumsum(before * of_mode))


def _influence(obs: Observations, at: FloatArray, is_mode: BoolArray, steps: _Steps, upto: int) -> FloatArray:
    """Return how much one more of each life would move the share failed by the age of step ``upto``."""
    age, at_risk = steps.age[:upto], steps.at_risk[:upto]
    own = steps.before[:upto] / at_risk
    still = 1.0 - steps.hazard[:upto]
    lost = (steps.incidence[upto - 1] - steps.incidence[:upto]) / (at_risk * np.where(still > 0, still, 1.0))
    drift = np.concatenate(([0.0], np.cumsum(own * steps.of_mode[:upto] - lost * steps.hazard[:upto])))
    first, last = _places(age, obs.entry), _places(age, at)
    influence = drift[first] - drift[last]
    failed = obs.failed & (at <= age[-1])
    step = np.searchsorted(age, at[failed])
    influence[failed] += own[step] * is_mode[failed] - lost[step]
    return np.asarray(influence, dtype=np.float64)


def _places(age: FloatArray, at: FloatArray) -> IntArray:
    return np.asarray(np.searchsorted(age, at, side="right"), dtype=np.int64)


def _interval(share: FloatArray, error: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    inside = (share > 0) & (share < 1)
    safe = np.where(inside, share, 0.5)
    reach = float(norm.ppf(0.5 + 0.5 * level)) * error / ((1.0 - safe) * -np.log1p(-safe))
    low = -np.expm1(np.log1p(-safe) * np.exp(-reach))
    high = -np.expm1(np.log1p(-safe) * np.exp(reach))
    return np.where(inside, low, share), np.where(inside, high, share)

"""Random strata from simulated fleets, in every kind of censoring, and their direct maximum by scipy.

The likelihood is written here a second time, in (log β, log η) and life by life in another form than the product's, so
that the two can be held against each other.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize, root

from wearlab.curves.batch import WeibullFits, fit_weibulls
from wearlab.curves.observations import Observations, make_observations
from wearlab.curves.weibull import Weibull

SEED = 31
KINDS = ("right", "late", "counts", "between", "left", "mixed")  # mixed: all at once; together: all but late entry


@dataclass(frozen=True, slots=True)
class Stratum:
    """One simulated stratum: its kind of censoring and its lives."""

    kind: str
    obs: Observations


def draw_strata(number: int, *, seed: int, kinds: tuple[str, ...] = KINDS) -> list[Stratum]:
    """Return strata of 5 to 400 lives, the kinds in turn: shapes 0.6 to 4, ages 1e2 to 1e6, few or many failures."""
    rng = np.random.default_rng(seed)
    return [Stratum(kinds[place % len(kinds)], _draw(rng, kinds[place % len(kinds)])) for place in range(number)]


def _draw(rng: np.random.Generator, kind: str) -> Observations:
    size = int(10 ** rng.uniform(0.7, 2.6))
    shape, eta = np.exp(rng.uniform(np.log(0.6), np.log(4.0))), 10 ** rng.uniform(2, 6)
    entry = eta * rng.uniform(0.0, 0.6, size) * (rng.random(size) < 0.5) * (kind in ("late", "mixed"))
    life = eta * ((entry / eta) ** shape + rng.exponential(size=size)) ** (1 / shape)
    watched = entry + eta * rng.uniform(0.02, rng.uniform(0.3, 2.0), size)
    failed, exit_ = life <= watched, np.minimum(life, watched)
    lower, upper = np.full(size, np.nan), np.full(size, np.nan)
    if kind in ("between", "together", "mixed"):
        step = eta * rng.uniform(0.1, 0.4)
        found = failed & (rng.random(size) < rng.choice([0.5, 1.0]))
        lower[found], upper[found] = np.floor(life / step)[found] * step, np.floor(life / step + 1.0)[found] * step
    if kind in ("left", "together", "mixed"):
        found = failed & (rng.random(size) < 0.3) & (entry == 0.0)
        lower[found], upper[found] = 0.0, life[found] * rng.uniform(1.0, 1.5, size)[found]
    count = rng.integers(1, 6, size).astype(float) if kind in ("counts", "together", "mixed") else np.ones(size)
    return make_observations(exit_, failed, entry=entry, lower=lower, upper=upper, count=count)


def loss_and_slope(place: np.ndarray, obs: Observations) -> tuple[float, np.ndarray]:
    """Return the negative log-likelihood at (log β, log η) and its slope."""
    shape = np.exp(place[0])

    def hazard(age: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return H and the slope of log H in log β; that in log η is −β."""
        with np.errstate(divide="ignore", invalid="ignore"):
            z = shape * (np.log(age) - place[1])
        return np.exp(z), np.where(age > 0, z, 0.0)

    n, between = obs.count, obs.between
    exact, running = obs.failed & ~between, ~obs.failed
    at_entry, at_exit = hazard(obs.entry), hazard(obs.exit)
    total = np.sum(n * at_entry[0])
    slope = np.array([np.sum(n * at_entry[0] * at_entry[1]), -shape * np.sum(n * at_entry[0])])
    for chosen in (exact, running):
        h, log_h = at_exit[0][chosen], at_exit[1][chosen]
        total -= np.sum(n[chosen] * h)
        slope -= [np.sum(n[chosen] * h * log_h), -shape * np.sum(n[chosen] * h)]
    total += np.sum(n[exact] * (np.log(shape) + at_exit[1][exact] - np.log(obs.exit[exact])))
    slope += [np.sum(n[exact] * (1.0 + at_exit[1][exact])), -shape * np.sum(n[exact])]
    low, log_low = hazard(obs.lower[between])
    high, log_high = at_exit[0][between], at_exit[1][between]
    gap = high - low
    total += np.sum(n[between] * (-low + np.log(-np.expm1(-gap))))
    pull = 1.0 / np.expm1(gap)  # of d log(1 − e^(−gap))
    for weight, direction in ((low, log_low), (high, log_high)):
        sign = -(1.0 + pull) if weight is low else pull
        slope += [np.sum(n[between] * sign * weight * direction), -shape * np.sum(n[between] * sign * weight)]
    return -float(total), -slope


def maximise_directly(obs: Observations) -> tuple[float, float, float]:
    """Return log β, log η and the log-likelihood at scipy's maximum, from a start that knows no fit."""
    middle = np.log(np.average(obs.exit[obs.failed], weights=obs.count[obs.failed]))
    share = obs.count[obs.failed].sum() / obs.count.sum()
    start = np.array([0.3, middle - np.log(share) / np.exp(0.3)])
    with np.errstate(all="ignore"):
        rough = minimize(loss_and_slope, start, args=(obs,), jac=True, method="BFGS", options={"gtol": 1e-7})
        sharp = root(lambda place: loss_and_slope(place, obs)[1], rough.x, method="hybr", options={"xtol": 1e-15})
    return float(sharp.x[0]), float(sharp.x[1]), -loss_and_slope(sharp.x, obs)[0]


def fit_together(strata: Sequence[Stratum]) -> WeibullFits:
    """Return the product's fits of all strata at once."""
    columns = [
        np.concatenate([getattr(stratum.obs, name) for stratum in strata]) for name in Observations.__dataclass_fields__
    ]
    sizes = [len(stratum.obs) for stratum in strata]
    return fit_weibulls(Observations(*columns), np.repeat(np.arange(len(strata)), sizes), strata=len(strata))


def distance(own: Weibull, shape: float, eta: float) -> float:
    """Return how far another fit lies, the greater of the differences in ln β and ln η."""
    return float(max(abs(np.log(shape / own.shape)), abs(np.log(eta / own.eta))))


def read_from_zero(obs: Observations, shape: float) -> bool:
    """Return whether an interval begins at age 0 and the shape is so low that lifelines errs: it reads 1e-25 there."""
    return bool((obs.lower == 0.0).any()) and shape < 0.4

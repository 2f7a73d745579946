"""Strata that borrow from one another: log β and log η drawn toward the mean of like strata by their uncertainty."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from wearlab.curves.newton import FloatArray, JointSums, Rows, Solution, joint_sums


@dataclass(frozen=True, slots=True)
class Pool:
    """Mean and variance between strata of log β and of log η, and each stratum's pooled β and log η."""

    mean: FloatArray
    variance: FloatArray
    shape: FloatArray
    log_eta: FloatArray


def pool_strata(rows: Rows, found: Solution) -> Pool | None:
    """Return the partially pooled values of strata that all have a maximum; None for fewer than two.

    log β and log η of a stratum are taken as normal about a common mean with a variance between strata that is
    estimated from the data (restricted maximum likelihood); the pooled values maximise each stratum's own likelihood
    times that prior. Source: empirical Bayes, Morris (1983), JASA 78; the variance, Patterson & Thompson (1971).
    """
    if len(found.shape) < 2:
        return None
    sums = joint_sums(rows)
    at = np.column_stack([np.log(found.shape), found.log_eta])
    _, curvature = _derivatives(sums, at)
    errors = np.array([np.diag(np.linalg.inv(-matrix)) for matrix in curvature])
    usable = (errors > 0).all(axis=1)
    if usable.sum() < 2:
        return None
    mean, variance = np.array([_between(at[usable, axis], errors[usable, axis]) for axis in (0, 1)]).T
    place = _climb(sums, at, mean, np.maximum(variance, 1e-6))
    return Pool(mean, variance, np.exp(place[:, 0]), place[:, 1])


def _between(values: FloatArray, errors: FloatArray) -> tuple[float, float]:
    """Return the mean of the strata and the variance between them, by restricted maximum likelihood."""

    def mean_at(variance: float) -> float:
        weight = 1.0 / (errors + variance)
        return float(np.sum(weight * values) / np.sum(weight))

    def slope(variance: float) -> float:
        weight = 1.0 / (errors + variance)
        residual = values - mean_at(variance)
        return float(np.sum(weight**2 * residual**2) - np.sum(weight) + np.sum(weight**2) / np.sum(weight))

    if slope(0.0) <= 0:
        return mean_at(0.0), 0.0
    top = float(np.var(values) * 4 + errors.max())
    while slope(top) > 0:
        top *= 4
    variance = float(brentq(slope, 0.0, top, xtol=1e-12))
    return mean_at(variance), variance


def _derivatives(sums: JointSums, at: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return gradient (strata, 2) and second derivatives (strata, 2, 2) of the log-likelihood in (log β, log η)."""
    k = np.exp(at[:, 0])
    a = k * (at[:, 1] - sums.centre)
    l_k, l_a, l_kk, l_ka, l_aa = sums.slopes(k, a)
    gradient = np.column_stack([k * l_k + a * l_a, k * l_a])
    bb = k**2 * l_kk + k * l_k + 2 * k * a * l_ka + a**2 * l_aa + a * l_a
    bm = k**2 * l_ka + k * l_a + a * k * l_aa
    second = np.moveaxis(np.array([[bb, bm], [bm, k**2 * l_aa]]), -1, 0)
    return gradient, np.asarray(second, dtype=np.float64)


def _climb(sums: JointSums, start: FloatArray, mean: FloatArray, variance: FloatArray) -> FloatArray:
    """Return the maximum of likelihood times prior of every stratum, by Newton with a ridge."""
    at, ridge = start.copy(), np.zeros(len(start))
    value = _worth(sums, at, mean, variance)
    for _ in range(100):
        gradient, second = _derivatives(sums, at)
        gradient = gradient - (at - mean) / variance
        dome = np.diag(1.0 / variance) - second
        lowest = np.linalg.eigvalsh(dome)[:, 0]
        lift = np.maximum(1e-6 - lowest, 0.0) + ridge
        step = np.linalg.solve(dome + lift[:, None, None] * np.eye(2), gradient[..., None])[..., 0]
        moved = at + np.clip(step, -1.0, 1.0)
        new = _worth(sums, moved, mean, variance)
        better = new >= value - 1e-12 * np.abs(value)
        at, value = np.where(better[:, None], moved, at), np.where(better, new, value)
        ridge = np.where(better, ridge / 10, np.maximum(10 * ridge, 1.0))
        if (np.abs(step).max(axis=1) < 1e-9).all():
            break
    return at


def _worth(sums: JointSums, at: FloatArray, mean: FloatArray, variance: FloatArray) -> FloatArray:
    k = np.exp(at[:, 0])
    prior = -0.5 * ((at - mean) ** 2 / variance).sum(axis=1)
    return np.asarray(sums.value(k, k * (at[:, 1] - sums.centre)) + prior, dtype=np.float64)

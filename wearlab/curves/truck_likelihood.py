"""The likelihood of lives whose trucks differ, with its slopes: a Weibull hazard times a truck's own gamma factor.

With the factor (mean 1, variance φ) integrated out, a truck with D failures and hazard H, summed over what was watched,
contributes Σ_{j<D} ln(1 + φj) − (1/φ + D)·ln(1 + φH) + Σ ln h of its failures.
Source: Nielsen, Gill, Andersen & Sørensen (1992), Scand. J. Stat. 19.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Self

import numpy as np

from wearlab.curves.observations import BoolArray, FloatArray, IntArray, Observations
from wearlab.curves.truck_between import Between, Watched, between_slopes

BLOCK = 32_768  # ages times points worked at once, so that they stay in the cache
SMALLEST = 1e-10  # φ below which the value no longer changes


@dataclass(frozen=True, slots=True)
class Slopes:
    """Log-likelihood (points), gradient (points, coordinates), curvature (points, coordinates, coordinates).

    Where it cannot be worked out the value is −1e300 and the slopes are 0.
    """

    value: FloatArray
    gradient: FloatArray
    curvature: FloatArray

    @classmethod
    def of(cls, value: FloatArray, gradient: FloatArray, curvature: FloatArray) -> Self:
        """Return the slopes, those that are not finite marked as nowhere."""
        finite = np.isfinite(value) & np.isfinite(gradient).all(axis=1) & np.isfinite(curvature).all(axis=(1, 2))
        return cls(
            np.where(finite, value, -1e300),
            np.where(finite[:, None], gradient, 0.0),
            np.where(finite[:, None, None], curvature, 0.0),
        )


Surface = Callable[[FloatArray], Slopes]


@dataclass(frozen=True, slots=True)
class TruckLikelihood:
    """The lives of one stratum sorted by truck, ready for the likelihood at many points (ln β, ln η, √φ) at once.

    A fourth coordinate γ, where given, multiplies the hazard of the lives marked in ``later`` by e^γ.
    """

    start: IntArray  # first age of each truck
    log_age: FloatArray  # of ends and entries
    weight: FloatArray  # count of an end, less the count of an entry; 0 at age 0
    later: FloatArray  # 1 for the lives that a fourth coordinate bears on, else 0
    failures: FloatArray  # by truck
    more: FloatArray  # trucks with more than 1, 2, … failures
    exact: tuple[float, float, float]  # number of exact failures, sum of their log ages, number of the later ones
    between: Between

    def slopes(self, points: FloatArray) -> Slopes:
        """Return log-likelihood, gradient and curvature at each row (ln β, ln η, √φ, perhaps γ) of ``points``."""
        step = max(1, BLOCK // len(self.log_age))
        with np.errstate(over="ignore", invalid="ignore"):
            parts = [self._slopes(points[first : first + step]) for first in range(0, len(points), step)]
        return Slopes.of(*(np.concatenate(values) for values in zip(*parts, strict=True)))

    def _slopes(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        watched = self._watch(points)
        value, gradient, curvature = self._spread(points[:, 2:3], watched)
        self._add_exact(points, value, gradient, curvature)
        if len(self.between.count):
            added = between_slopes(self.between, points, watched.of(self.between.truck))
            value, gradient, curvature = value + added[0], gradient + added[1], curvature + added[2]
        return value, gradient, curvature

    def _watch(self, points: FloatArray) -> Watched:
        """Return the hazard H of each truck and its slopes by ln β, ln η and γ."""
        shape, size = np.exp(points[:, :1]), points.shape[1] - 1
        y = np.minimum(shape * (self.log_age - points[:, 1:2]), 200.0)
        term = np.exp(y) * self.weight
        if size == 3:
            term *= np.exp(np.clip(points[:, 3:], -30, 30) * self.later)
        sums = [np.add.reduceat(term, self.start, axis=1)]
        late = [np.add.reduceat(term * self.later, self.start, axis=1)] if size == 3 else []
        for power in range(2):
            term *= y
            sums.append(np.add.reduceat(term, self.start, axis=1))
            if size == 3 and power == 0:
                late.append(np.add.reduceat(term * self.later, self.start, axis=1))
        first, second = np.empty((size, *sums[0].shape)), np.empty((size, size, *sums[0].shape))
        first[0], first[1] = sums[1], -shape * sums[0]
        second[0, 0], second[1, 1] = sums[1] + sums[2], shape**2 * sums[0]
        second[0, 1] = second[1, 0] = -shape * (sums[0] + sums[1])
        if size == 3:
            first[2] = second[2, 2] = late[0]
            second[0, 2] = second[2, 0] = late[1]
            second[1, 2] = second[2, 1] = -shape * late[0]
        return Watched(sums[0], first, second)

    def _spread(self, root: FloatArray, watched: Watched) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return what −(1/φ + D)·ln(1 + φH) and Σ ln(1 + φj) of all trucks come to, and its slopes."""
        phi, hazard, failures = np.maximum(root**2, SMALLEST), watched.hazard, self.failures
        x = phi * hazard
        whole, logs = 1.0 + x, np.log1p(x)
        p, p_by = _curved(x, logs)
        pull, bend = -(1.0 + phi * failures) / whole, phi * (1.0 + phi * failures) / whole**2
        crossed = (hazard - failures) / whole**2
        steps = np.arange(1, len(self.more) + 1)
        rising = steps / (1.0 + phi * steps)
        by_phi = (hazard**2 * p - failures * hazard / whole).sum(axis=1) + rising @ self.more
        twice = (hazard**3 * p_by + failures * hazard**2 / whole**2).sum(axis=1) - rising**2 @ self.more
        value = np.log1p(phi * steps) @ self.more - ((1.0 / phi + failures) * logs).sum(axis=1)
        size = len(watched.first) + 1
        gradient, curvature = np.zeros((len(root), size)), np.zeros((len(root), size, size))
        others = [0, 1, 3][: size - 1]
        for place, i in enumerate(others):
            first = watched.first[place]
            gradient[:, i] = (pull * first).sum(axis=1)
            curvature[:, i, 2] = curvature[:, 2, i] = 2.0 * root[:, 0] * (crossed * first).sum(axis=1)
            for other, j in enumerate(others[: place + 1]):
                second = pull * watched.second[place, other] + bend * first * watched.first[other]
                curvature[:, i, j] = curvature[:, j, i] = second.sum(axis=1)
        gradient[:, 2] = 2.0 * root[:, 0] * by_phi
        curvature[:, 2, 2] = 4.0 * root[:, 0] ** 2 * twice + 2.0 * by_phi
        return value, gradient, curvature

    def _add_exact(self, points: FloatArray, value: FloatArray, gradient: FloatArray, curvature: FloatArray) -> None:
        """Add Σ ln h over the failures at a known age."""
        number, sum_log, later = self.exact
        shape, log_eta = np.exp(points[:, 0]), points[:, 1]
        scaled = shape * (sum_log - number * log_eta)
        value += number * points[:, 0] - sum_log + scaled
        gradient[:, 0] += number + scaled
        gradient[:, 1] -= number * shape
        curvature[:, 0, 0] += scaled
        curvature[:, 0, 1] -= number * shape
        curvature[:, 1, 0] -= number * shape
        if points.shape[1] == 4:
            value += later * points[:, 3]
            gradient[:, 3] += later


def _curved(x: FloatArray, logs: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return p = (ln(1 + x) − x/(1 + x))/x², of which the slope by φ is made, and dp/dx; by their series near 0."""
    small = x < 0.02
    near, far = np.where(small, x, 0.0), np.where(small, 1.0, x)
    p, by = np.zeros_like(x), np.zeros_like(x)
    for power in range(9, -1, -1):
        sign = (-1.0) ** power
        p = p * near + sign * (power + 1) / (power + 2)
        by = by * near - sign * (power + 1) * (power + 2) / (power + 3)
    whole = 1.0 + far
    direct = (np.where(small, np.log(2.0), logs) - far / whole) / far**2
    return np.where(small, p, direct), np.where(small, by, (whole**-2 - 2.0 * direct) / far)


def truck_likelihood(obs: Observations, later: BoolArray | None = None) -> TruckLikelihood:
    """Return the likelihood of lives grouped by truck; a count on a row is so many lives of that truck."""
    marked = np.zeros(len(obs)) if later is None else later.astype(np.float64)
    truck = np.unique(obs.truck, return_inverse=True)[1]
    ends = np.where(obs.between, obs.lower, obs.exit)
    late = obs.entry > 0
    of_age = np.concatenate([truck, truck[late]])
    order = np.argsort(of_age, kind="stable")
    age = np.concatenate([ends, obs.entry[late]])[order]
    weight = np.concatenate([obs.count, -obs.count[late]])[order]
    exact = obs.failed & ~obs.between
    number = obs.count * exact
    failures = np.bincount(truck, obs.count * obs.failed).astype(np.float64)
    return TruckLikelihood(
        np.flatnonzero(np.diff(of_age[order], prepend=-1)).astype(np.int64),
        np.log(np.where(age > 0, age, 1.0)),
        np.where(age > 0, weight, 0.0),
        np.concatenate([marked, marked[late]])[order],
        failures,
        np.array([(failures > step).sum() for step in range(1, int(failures.max()))], dtype=np.float64),
        (float(number.sum()), float(number @ np.log(obs.exit)), float(number @ marked)),
        _between(obs, truck, failures, marked),
    )


def _between(obs: Observations, truck: IntArray, failures: FloatArray, later: FloatArray) -> Between:
    rows = np.flatnonzero(obs.between)
    rows = rows[np.argsort(truck[rows], kind="stable")]
    first = np.flatnonzero(np.diff(truck[rows], prepend=-1)).astype(np.int64)
    trucks = truck[rows][first]
    numbers, kind = np.unique(failures[trucks], return_inverse=True)
    reaches = obs.lower[rows] > 0
    return Between(
        np.log(np.where(reaches, obs.lower[rows], 1.0)),
        reaches.astype(np.float64),
        np.log(obs.exit[rows]),
        obs.count[rows],
        later[rows],
        first,
        trucks,
        np.repeat(np.arange(len(first)), np.diff(np.append(first, len(rows)))),
        numbers,
        kind.astype(np.int64),
    )

"""Likelihood-ratio intervals of life curves when trucks differ.

An end of the interval of a quantity x is where the signed root of the likelihood ratio, √(2·(best − profile)), reaches
its critical value. It is found together with the other parameters there, by Newton on the equations that hold at it:
the root equals the critical value, and the slopes by the other parameters are 0. Source: Venzon & Moolgavkar (1988),
Appl. Statist. 37. Where that does not end at a proper maximum, secants in x around a climb in the other parameters.
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from wearlab.curves.frailty import TruckFit, climb
from wearlab.curves.observations import BoolArray, FloatArray
from wearlab.curves.truck_likelihood import Slopes, Surface, TruckLikelihood

FARTHEST = 30.0  # a limit e^30 times the estimate or more away is no limit
ROUNDS, LONGEST, SETTLED = 25, 2.0, 1e-7  # of Newton: how many steps, how long, and when it is done, in standard errors
SPREAD = 0.7  # √φ from which a search begins at least, since at 0 nothing points away from it
Pair = tuple[float | None, float | None]


def limit_truck_shape(fit: TruckFit, *, level: float) -> Pair:
    """Return the likelihood-ratio interval of the shape of one truck's hazard; None: the data set no limit there."""
    return _ends(fit, np.full(1, 0.5), 0, level)[0]


def limit_truck_lives(fit: TruckFit, shares: FloatArray, *, level: float) -> tuple[Pair, ...]:
    """Return the interval of the age by which each share has failed, averaged over trucks; None where no limit is."""
    return _ends(fit, shares, 1, level)


def hold_shape(fit: TruckFit, shape: float) -> float:
    """Return the greatest log-likelihood with the shape of one truck's hazard held at a value."""
    return _hold(fit, 0.5, 0, float(np.log(shape)))


def hold_life(fit: TruckFit, share: float, age: float) -> float:
    """Return the greatest log-likelihood with the age by which ``share`` has failed, over trucks, held at a value."""
    return _hold(fit, share, 1, float(np.log(age)))


def _hold(fit: TruckFit, share: float, held: int, x: float) -> float:
    ends, point = _Ends(fit, held, 0.0), _place(fit, np.full(1, share))[0]
    point[held], point[2] = x, max(point[2], SPREAD)
    return climb(ends.surface(share), point, ends.scales(np.full(1, share))[0], free=ends.free).value


def _place(fit: TruckFit, shares: FloatArray) -> FloatArray:
    """Return the maximum as points (ln β, ln of the age by which the share has failed, √φ), one per share."""
    ages = [np.log(fit.life_at(float(share))) for share in shares]
    return np.array([[np.log(fit.curve.shape), age, np.sqrt(fit.variance)] for age in ages])


def by_life(likelihood: TruckLikelihood, points: FloatArray, shares: FloatArray) -> Slopes:
    """Return the log-likelihood at points (ln β, ln of the age by which a share has failed over trucks, √φ).

    ln η = x − q/β with q = ln((e^(φL) − 1)/φ), L = −ln(1 − share).
    """
    q = _log_hazards(points, shares)[0]
    there = likelihood.slopes(np.column_stack([points[:, 0], points[:, 1] - q * np.exp(-points[:, 0]), points[:, 2]]))
    return _turn(there, points, shares)


def _log_hazards(points: FloatArray, shares: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return q and its first two derivatives by √φ."""
    full, root = -np.log1p(-shares), points[:, 2]
    k, k_by, k_twice = _grown(full * root**2)
    return np.log(full) + k, 2.0 * full * root * k_by, (2.0 * full * root) ** 2 * k_twice + 2.0 * full * k_by


def _turn(there: Slopes, points: FloatArray, shares: FloatArray) -> Slopes:
    """Return slopes by (ln β, ln η, √φ) as slopes by the coordinates of ``points``."""
    q, q_by, q_twice = _log_hazards(points, shares)
    inverse = np.exp(-points[:, 0])
    turn = np.zeros((len(points), 3, 3))
    turn[:, 0, 0] = turn[:, 1, 1] = turn[:, 2, 2] = 1.0
    turn[:, 1, 0], turn[:, 1, 2] = q * inverse, -q_by * inverse
    by_eta = there.gradient[:, 1]
    curvature = np.swapaxes(turn, 1, 2) @ there.curvature @ turn
    curvature[:, 0, 0] -= by_eta * q * inverse
    curvature[:, 0, 2] += by_eta * q_by * inverse
    curvature[:, 2, 0] = curvature[:, 0, 2]
    curvature[:, 2, 2] -= by_eta * q_twice * inverse
    return Slopes(there.value, np.einsum("pi,pij->pj", there.gradient, turn), curvature)


def _grown(u: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return ln((e^u − 1)/u) and its first two derivatives, by their series near 0."""
    small = u < 0.03
    near, far = np.where(small, u, 0.0), np.where(small, 1.0, u)
    gone = -np.expm1(-far)
    return (
        np.where(small, near / 2 + near**2 / 24 - near**4 / 2880, far + np.log(gone / far)),
        np.where(small, 0.5 + near / 12 - near**3 / 720, 1.0 / gone - 1.0 / far),
        np.where(small, 1.0 / 12 - near**2 / 240 + near**4 / 6048, 1.0 / far**2 - (1.0 - gone) / gone**2),
    )


def _ends(fit: TruckFit, shares: FloatArray, held: int, level: float) -> tuple[Pair, ...]:
    """Return both ends of each quantity, coordinate ``held`` of its points."""
    ends = _Ends(fit, held, float(np.sqrt(chi2.ppf(level, 1))))
    both, side = np.repeat(shares, 2), np.tile([-1.0, 1.0], len(shares))
    best = _place(fit, both)
    first = ends.first_guess(both, best, side)
    found = ends.solve(both, best, side, first)
    left = np.flatnonzero(np.isnan(found))
    first[left, 2] = np.maximum(np.abs(first[left, 2]), SPREAD)
    found[left] = ends.solve(both[left], best[left], side[left], first[left])
    logs = [
        ends.search(float(both[row]), best[row], float(side[row])) if np.isnan(x) else float(x)
        for row, x in enumerate(found)
    ]
    said = [None if x is None else float(np.exp(x)) for x in logs]
    return tuple(zip(said[::2], said[1::2], strict=True))


@dataclass(frozen=True, slots=True)
class _Ends:
    """What the ends of intervals of a fit are looked for with: the coordinate held, the critical value."""

    fit: TruckFit
    held: int
    target: float

    @property
    def free(self) -> tuple[int, int]:
        """Return the other two coordinates."""
        return (1, 2) if self.held == 0 else (0, 2)

    def scales(self, shares: FloatArray) -> FloatArray:
        """Return about one standard error of each coordinate."""
        scales = np.tile(self.fit.scales, (len(shares), 1))
        scales[:, 1] *= 1.0 + 0.6 * np.abs(np.log(-np.log1p(-shares)))
        return scales

    def first_guess(self, shares: FloatArray, best: FloatArray, side: FloatArray) -> FloatArray:
        """Return where the ends would be if the likelihood were as curved everywhere as at its maximum."""
        curve, scales = self.fit.curve, self.scales(shares)
        top = self.fit.likelihood.slopes(np.array([[np.log(curve.shape), np.log(curve.eta), best[0, 2]]]))
        every = Slopes(*(np.repeat(values, len(best), axis=0) for values in (top.value, top.gradient, top.curvature)))
        curvature = _turn(every, best, shares).curvature * scales[:, :, None] * scales[:, None, :]
        unit = np.zeros((len(best), 3))
        unit[:, self.held] = 1.0
        spread, sound = _solve_each(-curvature, unit)
        variance = spread[:, self.held]
        sound &= variance > 0
        step = spread / np.sqrt(np.where(sound, variance, 1.0))[:, None]
        return best + np.where(sound[:, None], np.clip(step, -3.0, 3.0), unit) * scales * (side * self.target)[:, None]

    def solve(self, shares: FloatArray, best: FloatArray, side: FloatArray, first: FloatArray) -> FloatArray:
        """Return the ends found by Newton, all at once; NaN where it does not end at a proper maximum."""
        scales, held, free = self.scales(shares), self.held, list(self.free)
        point, out = first.copy(), np.full(len(shares), np.nan)
        left = np.arange(len(shares))
        for _ in range(ROUNDS if len(left) else 0):
            here = by_life(self.fit.likelihood, point[left], shares[left])
            scale = scales[left]
            gradient, curvature = here.gradient * scale, here.curvature * scale[:, :, None] * scale[:, None, :]
            root = np.sqrt(2.0 * np.maximum(self.fit.log_likelihood - here.value, 1e-12))
            system = np.concatenate([-(gradient / root[:, None])[:, None, :], curvature[:, free, :]], axis=1)
            step, sound = _solve_each(system, np.column_stack([self.target - root, -gradient[:, free]]))
            step *= np.minimum(1.0, LONGEST / np.maximum(np.abs(step).max(axis=1, keepdims=True), 1e-300))
            point[left] += step * scale
            away = (point[left, held] - best[left, held]) * side[left]
            sound &= (root > 0.1 * self.target) & (away > 0) & (away < FARTHEST)
            settled = sound & (np.abs(step).max(axis=1) < SETTLED)
            proper = settled & _is_top(curvature[:, free][:, :, free])
            out[left[proper]] = point[left[proper], held]
            left = left[sound & ~settled]
            if not len(left):
                break
        return out

    def surface(self, share: float) -> Surface:
        """Return the log-likelihood with the age of one share among the coordinates."""
        return lambda points: by_life(self.fit.likelihood, points, np.full(len(points), share))

    def search(self, share: float, best: FloatArray, side: float) -> float | None:
        """Return where the signed root reaches its critical value, by secants within a bracket; None if nowhere."""
        surface, held = self.surface(share), self.held
        scales = self.scales(np.full(1, share))[0]
        at, near, far = best[held], (best[held], 0.0), None
        x, point = at + side * self.target * scales[held], best.copy()
        point[2] = max(point[2], SPREAD)
        for _ in range(40):
            point[held] = x
            found = climb(surface, point, scales, free=self.free)
            point = found.point.copy()
            root = float(np.sqrt(max(2.0 * (self.fit.log_likelihood - found.value), 0.0)))
            if abs(root - self.target) < 1e-6:
                return float(x)
            if root < self.target:
                near = (x, root)
            else:
                far = (x, root)
            if abs(near[0] - at) > FARTHEST:
                return None
            if far is None:
                grown = self.target / root if root > 0 else 3.0
                x = at + (x - at) * min(max(1.05 * grown, 1.1), 3.0)
            else:
                share_of_way = (self.target - near[1]) / (far[1] - near[1])
                x = near[0] + (far[0] - near[0]) * min(max(share_of_way, 0.02), 0.98)
        return None


def _solve_each(systems: FloatArray, right: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Return the solution of each linear system, and which of them have one."""
    finite = np.asarray(np.isfinite(systems).all(axis=(1, 2)) & np.isfinite(right).all(axis=1), dtype=np.bool_)
    sound = finite & (np.abs(np.linalg.det(np.where(finite[:, None, None], systems, 0.0))) > 1e-12)
    safe = np.where(sound[:, None, None], systems, np.eye(3))
    step = np.linalg.solve(safe, np.where(sound[:, None], right, 0.0)[..., None])[..., 0]
    return np.asarray(step, dtype=np.float64), sound


def _is_top(curvature: FloatArray) -> BoolArray:
    """Return where a curvature in two coordinates is that of a maximum."""
    return np.asarray((curvature[:, 0, 0] < 0) & (np.linalg.det(curvature) > 0), dtype=np.bool_)

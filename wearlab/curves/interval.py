"""Likelihood-ratio intervals of a Weibull curve: all ages at which the data are about as likely as at the maximum."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from wearlab.curves.newton import BoolArray, FloatArray, JointSums, Rows, Solution, joint_sums

FARTHEST = 40.0  # a limit e^40 times the estimate or more away is no limit
TOLERANCE = 1e-10
ROUNDS = 60


@dataclass(frozen=True, slots=True)
class Limits:
    """The two ends of an interval, one pair per stratum; NaN where the likelihood sets no limit on that side."""

    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, slots=True)
class _Line:
    """A quantity x to be limited: the best likelihood where it is held at x, and that likelihood's slope in x."""

    profile: Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray, FloatArray, BoolArray]]
    at: FloatArray  # its maximum-likelihood value
    error: FloatArray  # its standard error, to start from
    free: FloatArray  # the other parameter at the maximum


def limit_shape(rows: Rows, found: Solution, *, level: float) -> Limits:
    """Return the two-sided likelihood-ratio interval of the shape β of each stratum at ``level`` (0.90 = 90 %)."""
    line = _shape_line(joint_sums(rows), found)
    low, high = (_limit(line, found.log_likelihood, level, side) for side in (-1.0, 1.0))
    return Limits(np.exp(low), np.exp(high))


def limit_life(rows: Rows, found: Solution, failed_share: float, *, level: float) -> Limits:
    """Return the interval of the age by which ``failed_share`` has failed (0.1: B10; 1 − 1/e: η) of each stratum."""
    sums = joint_sums(rows)
    line = _life_line(sums, found, failed_share)
    low, high = (_limit(line, found.log_likelihood, level, side) for side in (-1.0, 1.0))
    return Limits(np.exp(low + sums.centre), np.exp(high + sums.centre))


def hold_shape(rows: Rows, found: Solution, shape: float) -> FloatArray:
    """Return the greatest log-likelihood of each stratum with β held at a value."""
    line = _shape_line(joint_sums(rows), found)
    return line.profile(np.full(len(found.shape), np.log(shape)), line.free)[0]


def hold_life(rows: Rows, found: Solution, failed_share: float, age: float) -> FloatArray:
    """Return the greatest log-likelihood of each stratum with the age by which a share has failed held at a value."""
    sums = joint_sums(rows)
    line = _life_line(sums, found, failed_share)
    return line.profile(np.log(age) - sums.centre, line.free)[0]


def _shape_line(sums: JointSums, found: Solution) -> _Line:
    """Return the line on which a is free and β is held."""
    offset = found.shape * (found.log_eta - sums.centre)
    _, bb, ba, aa = _curvature(sums, found.shape, offset)
    variance = aa / (bb * aa - ba**2)

    def profile(x: FloatArray, a: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
        shape = np.exp(x)
        done = np.zeros(len(x), dtype=bool)
        for _ in range(ROUNDS):
            _, by_a, _, _, by_aa = sums.slopes(shape, a)
            step = np.clip(by_a / np.maximum(-by_aa, 1e-12 * (1 + np.abs(by_a))), -2.0, 2.0)
            a = a + step
            done = np.abs(step) <= TOLERANCE * (1.0 + np.abs(a))
            if done.all():
                break
        by_b = sums.slopes(shape, a)[0]
        return sums.value(shape, a), by_b * shape, a, done

    return _Line(profile, np.log(found.shape), np.sqrt(variance) / found.shape, offset)


def _life_line(sums: JointSums, found: Solution, failed_share: float) -> _Line:
    """Return the line on which the age of a share is held; ages are logs about the stratum's centre."""
    c = np.full(len(found.shape), np.log(-np.log1p(-failed_share)))
    at = (found.shape * (found.log_eta - sums.centre) + c) / found.shape

    def point(x: FloatArray, shape: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        return shape * x - c, x, shape  # a on the line, da/dβ, and da/dx

    return _shape_free_line(sums, found, point, at)


def limit_failed_share(rows: Rows, found: Solution, age: FloatArray, *, level: float) -> Limits:
    """Return the interval of the share F(t) failed by ``age`` (one age per stratum); R(t) is its complement."""
    sums = joint_sums(rows)
    x0 = np.log(age) - sums.centre
    offset = found.shape * (found.log_eta - sums.centre)
    at = found.shape * x0 - offset

    def point(x: FloatArray, shape: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        return shape * x0 - x, x0, np.full(len(x), -1.0)

    line = _shape_free_line(sums, found, point, at)
    low, high = (_limit(line, found.log_likelihood, level, side) for side in (-1.0, 1.0))
    return Limits(-np.expm1(-np.exp(low)), -np.expm1(-np.exp(np.minimum(high, 6.0))))


def _shape_free_line(
    sums: JointSums,
    found: Solution,
    point: Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray, FloatArray]],
    at: FloatArray,
) -> _Line:
    """Return the line on which β is free and a follows from β and x."""
    offset = found.shape * (found.log_eta - sums.centre)
    _, bb, ba, aa = _curvature(sums, found.shape, offset)
    _, by_b, by_x = point(at, found.shape)
    free_curvature = bb + 2 * by_b * ba + by_b**2 * aa
    crossed = by_x * (ba + by_b * aa)
    information = np.maximum(by_x**2 * aa - crossed**2 / free_curvature, 1e-300)

    def profile(x: FloatArray, log_shape: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
        done = np.zeros(len(x), dtype=bool)
        for _ in range(ROUNDS):
            shape = np.exp(log_shape)
            a, da, _ = point(x, shape)
            l_b, l_a, l_bb, l_ba, l_aa = sums.slopes(shape, a)
            slope = shape * (l_b + da * l_a)
            bend = shape**2 * (l_bb + 2 * da * l_ba + da**2 * l_aa) + slope
            step = np.where(bend < 0, slope / np.where(bend < 0, -bend, 1.0), np.sign(slope))
            log_shape = np.clip(log_shape + np.clip(step, -0.7, 0.7), -9.0, 9.0)
            done = np.abs(step) <= TOLERANCE
            if done.all():
                break
        shape = np.exp(log_shape)
        a, _, dx = point(x, shape)
        return sums.value(shape, a), dx * sums.slopes(shape, a)[1], log_shape, done

    return _Line(profile, at, 1.0 / np.sqrt(information), np.log(found.shape))


def _curvature(sums: JointSums, shape: FloatArray, offset: FloatArray) -> tuple[FloatArray, ...]:
    """Return the observed information at the maximum, in β and a."""
    _, _, bb, ba, aa = sums.slopes(shape, offset)
    return sums.centre, -bb, -ba, -aa


def _limit(line: _Line, best: FloatArray, level: float, side: float) -> FloatArray:
    """Return where the signed root of the likelihood ratio reaches its critical value on one side, by bracketed Newton.

    The signed root √(2·(best − profile)) is nearly straight in x, so that Newton on it needs few rounds.
    """
    target = float(np.sqrt(chi2.ppf(level, 1)))
    inside = line.at.copy()
    outside = np.full(len(inside), np.nan)
    x = line.at + side * target * np.minimum(line.error, 3.0)
    free = line.free
    done = np.zeros(len(x), dtype=bool)
    for _ in range(ROUNDS):
        value, slope, free, solved = line.profile(x, free)
        root = np.sqrt(2.0 * np.maximum(best - value, 0.0))
        within = root < target
        inside, outside = np.where(within & ~done, x, inside), np.where(within | done, outside, x)
        steepness = np.maximum(-side * slope, 1e-12) / np.maximum(root, 1e-9)
        reach = 2.0 * np.abs(x - line.at) + 1e-3
        moved = x + side * np.clip((target - root) / steepness, -reach, reach)
        bounded = np.isfinite(outside)
        beyond = bounded & ((moved - inside) * side <= 0) | (bounded & ((outside - moved) * side <= 0))
        moved = np.where(beyond, 0.5 * (inside + outside), moved)
        settled = (np.abs(moved - x) <= TOLERANCE * (1.0 + np.abs(x))) & solved
        gone = np.abs(moved - line.at) > FARTHEST
        x = np.where(done, x, np.where(gone, np.nan, moved))
        free = np.where(np.isfinite(x), free, line.free)
        done = done | settled | gone
        if done.all():
            break
        x = np.where(np.isnan(x) & ~done, line.at, x)
    return np.where(done, x, np.nan)

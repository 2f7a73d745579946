"""Whether a Weibull curve is the right one: points on Weibull paper, a test of straightness, rival curves."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtr, ndtri
from scipy.stats import beta as beta_curve
from scipy.stats import norm

from wearlab.curves.counted import count_curve, thin_until, watch_from
from wearlab.curves.observations import FloatArray, Observations
from wearlab.curves.weibull import Weibull

ENOUGH = 10  # failures from which straightness and rivals are judged
HALF_LOG_TWO_PI = 0.5 * math.log(2.0 * math.pi)
CANNOT_TELL = 2.0  # difference in AIC below which the data do not choose; Burnham & Anderson (2002), section 2.6


@dataclass(frozen=True, slots=True)
class PaperPoints:
    """Failures on Weibull paper: age, rank-based share failed; a Weibull curve is a straight line there."""

    age: FloatArray
    rank: FloatArray
    failed_share: FloatArray


@dataclass(frozen=True, slots=True)
class Straightness:
    """The bend γ of ln H(t) = β·ln t − β·ln η + γ·(ln t)², and how easily chance makes it.

    ``bend`` above 0: failures come slower at first, then faster than any one Weibull curve allows, below 0: fast at
    first, then slower.
    """

    bend: float
    z: float
    p_value: float


@dataclass(frozen=True, slots=True)
class Rivals:
    """Akaike's criterion of three curves (lower is better) and the one that the data choose, or ``cannot tell``."""

    weibull: float
    exponential: float
    lognormal: float
    chosen: str


def rank_failures(obs: Observations, curve: Weibull, *, exact: bool) -> PaperPoints:
    """Return the failures with adjusted ranks, one point per failure age (the last of its ties).

    Suspensions raise the steps between ranks (Johnson 1951); the share is (i − 0.3)/(n + 0.4) (Benard & Bos-Levenbach
    1953), or with ``exact`` the median of Beta(i, n + 1 − i). With lives that entered late the share is read midway
    in the step of the counted curve instead, since ranks need a common start; where the first ages are watched by too
    few lives, from there on, beginning on the fitted ``curve``.
    """
    if (obs.entry > 0).any():
        start = thin_until(obs)
        counted = count_curve(watch_from(obs, start) if start > 0 else obs)
        before = np.concatenate(([1.0], counted.survival[:-1]))
        midway = 1.0 - 0.5 * curve.survival(np.array([start])) * (before + counted.survival)
        on_paper = midway < 1.0
        return PaperPoints(counted.age[on_paper], np.cumsum(counted.failures)[on_paper], midway[on_paper])
    at = np.where(obs.between, 0.5 * (obs.lower + obs.upper), obs.exit)
    age = np.unique(at[obs.failed])
    total = float(obs.count.sum())
    place = np.searchsorted(age, at[obs.failed])
    failures = np.bincount(place, obs.count[obs.failed], len(age))
    order = np.argsort(at, kind="stable")
    gone = np.concatenate(([0.0], np.cumsum(obs.count[order])))[np.searchsorted(at[order], age, side="left")]
    rank = np.zeros(len(age))
    last = 0.0
    for step in range(len(age)):
        many = float(failures[step])
        for failure in range(math.ceil(many)):  # a count may be a part of a failure: so is its step
            part = min(1.0, many - failure)
            last += part * (total + 1.0 - last) / (1.0 + total - gone[step] - failure)
        rank[step] = last
    median = beta_curve.median(rank, total + 1.0 - rank) if exact else (rank - 0.3) / (total + 0.4)
    share = np.asarray(median, dtype=np.float64)
    seen = (share > 0.0) & (share < 1.0)  # less than a third of a failure has no place on paper
    return PaperPoints(age[seen], rank[seen], share[seen])


def judge_straightness(obs: Observations, curve: Weibull) -> Straightness | None:
    """Return the score test of a bend on Weibull paper; None with too few failures.

    The score in γ at γ = 0 with its own slope on β and η taken out, so that all censoring counts; its variance is the
    information left, or the sum of squared contributions of trucks where that is larger. Level checked by simulation
    (tests/test_quality.py). Source of the test: Rao (1948), Proc. Camb. Phil. Soc. 44; the robust variance: White
    (1982), Econometrica 50.
    """
    if obs.failures < ENOUGH:
        return None
    scores, information = _scores(obs, curve)
    weights = np.linalg.solve(information[:2, :2], information[:2, 2])
    trucks, code = np.unique(obs.truck, return_inverse=True)
    own = scores[:, 2] - scores[:, :2] @ weights
    by_truck = np.bincount(code, own * obs.count, len(trucks))
    model = float(information[2, 2] - information[:2, 2] @ weights)
    variance = max(model, float(np.sum(by_truck**2))) if len(trucks) < len(obs) else model
    if variance <= 0 or model <= 0:
        return None
    z = float(by_truck.sum() / np.sqrt(variance))
    return Straightness(float(by_truck.sum() / model), z, float(2.0 * norm.sf(abs(z))))


def _scores(obs: Observations, curve: Weibull) -> tuple[FloatArray, FloatArray]:
    """Return each life's score in (β, a, γ) and the observed information, at γ = 0."""
    failed = obs.failed
    middle = float(np.average(np.log(obs.exit[failed]), weights=obs.count[failed]))
    k, a = curve.shape, curve.shape * (np.log(curve.eta) - middle)
    scores, bends = np.zeros((len(obs), 3)), np.zeros((len(obs), 3, 3))
    ends = np.where(obs.between, obs.lower, obs.exit)
    for age, sign in ((ends, -1.0), (obs.entry, 1.0)):
        first, second = _hazard_slopes(age, k, a, middle)
        scores += sign * first
        bends += sign * second
    exact = failed & ~obs.between
    x = np.log(obs.exit[exact]) - middle
    scores[exact] += np.column_stack([1.0 / k + x, -np.ones_like(x), 2.0 * x / k + x**2])
    rate = np.column_stack([np.ones_like(x), np.zeros_like(x), 2.0 * x])  # of ln(β + 2γx)
    bends[exact] -= np.einsum("ri,rj->rij", rate, rate) / k**2
    if obs.between.any():
        _add_between(obs, k, a, middle, scores, bends)
    return scores, -np.einsum("r,rij->ij", obs.count, bends)


def _hazard_slopes(age: FloatArray, k: float, a: float, middle: float) -> tuple[FloatArray, FloatArray]:
    """Return first and second derivatives of H in (β, a, γ) at each age."""
    known = age > 0
    x = np.where(known, np.log(np.where(known, age, 1.0)) - middle, 0.0)
    hazard = np.where(known, np.exp(k * x - a), 0.0)
    along = np.column_stack([x, -np.ones_like(x), x**2])
    return hazard[:, None] * along, hazard[:, None, None] * np.einsum("ri,rj->rij", along, along)


def _add_between(obs: Observations, k: float, a: float, middle: float, scores: FloatArray, bends: FloatArray) -> None:
    row = np.flatnonzero(obs.between)
    low, low2 = _hazard_slopes(obs.lower[row], k, a, middle)
    high, high2 = _hazard_slopes(obs.upper[row], k, a, middle)
    added = -(high[:, 1] - low[:, 1])
    q = 1.0 / np.expm1(np.clip(added, 1e-150, 500.0))
    first = high - low
    scores[row] += q[:, None] * first
    bends[row] += q[:, None, None] * (high2 - low2)
    bends[row] -= (q * (1.0 + q))[:, None, None] * np.einsum("ri,rj->rij", first, first)


def compare_rivals(obs: Observations, log_likelihood: float) -> Rivals:
    """Return Akaike's criterion of the Weibull, exponential and lognormal curves of the same lives.

    ``log_likelihood`` is that of the Weibull maximum. Late entry, suspensions and intervals count in all.
    """
    scores = {
        "weibull": 4.0 - 2.0 * log_likelihood,
        "exponential": 2.0 - 2.0 * fit_exponential(obs)[1],
        "lognormal": 4.0 - 2.0 * fit_lognormal(obs)[2],
    }
    ranked = sorted(scores, key=lambda name: scores[name])
    apart = scores[ranked[1]] - scores[ranked[0]]
    return Rivals(
        scores["weibull"],
        scores["exponential"],
        scores["lognormal"],
        ranked[0] if apart >= CANNOT_TELL else "cannot tell",
    )


def fit_exponential(obs: Observations) -> tuple[float, float]:
    """Return the mean life of the exponential curve and its log-likelihood (the Weibull of shape 1)."""
    exact = obs.failed & ~obs.between
    ends = np.where(obs.between, obs.lower, obs.exit)
    watched = float(np.sum(obs.count * (ends - obs.entry)))
    steps, number = (obs.upper - obs.lower)[obs.between], obs.count[obs.between]
    failures = float(obs.count[exact].sum())

    def loss(log_mean: FloatArray) -> float:
        mean = float(np.exp(log_mean[0]))
        return -float(-failures * np.log(mean) - watched / mean + np.sum(number * np.log(-np.expm1(-steps / mean))))

    start = np.log((watched + 0.5 * float(np.sum(number * steps))) / max(obs.failures, 1))
    best = minimize(loss, np.array([start]), method="Nelder-Mead", options={"xatol": 1e-10, "fatol": 1e-12})
    return float(np.exp(best.x[0])), -float(best.fun)


def fit_lognormal(obs: Observations) -> tuple[float, float, float]:
    """Return mean and standard deviation of the log life under a lognormal curve, and the log-likelihood."""
    exact, running, between, late = obs.failed & ~obs.between, ~obs.failed, obs.between, obs.entry > 0
    from_start = between & ~(obs.lower > 0)
    within = between & ~from_start
    log_exit = np.log(obs.exit)
    count = obs.count

    def loss(place: FloatArray) -> tuple[float, FloatArray]:
        mean, spread = place[0], np.exp(place[1])
        z = (log_exit - mean) / spread
        below, entered = (np.log(obs.lower[within]) - mean) / spread, (np.log(obs.entry[late]) - mean) / spread
        share = np.maximum(ndtr(-below) - ndtr(-z[within]), 1e-300)
        value = count[exact] @ (-0.5 * z[exact] ** 2 - HALF_LOG_TWO_PI - place[1] - log_exit[exact])
        value += count[running] @ log_ndtr(-z[running]) + count[from_start] @ log_ndtr(z[from_start])
        value += count[within] @ np.log(share) - count[late] @ log_ndtr(-entered)
        pulls = (  # z, the slope of the value by it, counts included
            (z[exact], -count[exact] * z[exact]),
            (z[running], -count[running] * _mills(z[running])),
            (z[from_start], count[from_start] * _mills(-z[from_start])),
            (z[within], count[within] * _density(z[within]) / share),
            (below, -count[within] * _density(below) / share),
            (entered, count[late] * _mills(entered)),
        )
        by_mean = -sum(float(slope.sum()) for _, slope in pulls) / spread
        by_spread = -sum(float(at @ slope) for at, slope in pulls) - float(count[exact].sum())
        return -float(value), -np.array([by_mean, by_spread])

    share = min(max(obs.failures / max(obs.lives, 1), 0.02), 0.9)
    start = float(np.average(log_exit, weights=obs.count)) - 0.5 * float(ndtri(share))
    best = minimize(loss, np.array([start, 0.0]), method="BFGS", jac=True, options={"gtol": 1e-7})
    return float(best.x[0]), float(np.exp(best.x[1])), -float(best.fun)


def _density(z: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * z**2 - HALF_LOG_TWO_PI), dtype=np.float64)


def _mills(z: FloatArray) -> FloatArray:
    """Return the normal density over the share above z."""
    return np.asarray(np.exp(-0.5 * z**2 - HALF_LOG_TWO_PI - log_ndtr(-z)), dtype=np.float64)

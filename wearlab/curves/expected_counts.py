"""Observed against expected: the spread between trucks, tail probabilities, shrunken ratios, many tests at once."""

from dataclasses import dataclass

import numpy as np
from scipy.special import betainc, betaincinv, gammainc, gammaincinv, gammaln

from wearlab.curves.expected import Floats

GRID: Floats = np.array(
    [1e-4, 0.01, 0.02, 0.04, 0.06, 0.09, 0.12, 0.16, 0.2, 0.25, 0.3, 0.36, 0.43, 0.52, 0.65, 0.8, 1.0, 1.4, 2.0, 3.0]
)
"""Variances of the spread between trucks (mean 1) over which answers are averaged."""

_CUT_SPREAD = 0.3  # with this spread one truck in twenty lies beyond the cut
_CUT_SHARE = 0.05
_ABNORMAL_SHARE = 0.02  # of trucks thought beforehand to belong to no class
_ABNORMAL_FORM = 0.5  # their prior is gamma of this form, mean 1: variance 2


@dataclass(frozen=True, slots=True)
class Spread:
    """What the trucks say about how much trucks differ: weights over ``GRID``, all trucks and without each.

    ``weights`` (grid), ``without`` (trucks x grid; each row adds to 1), ``mean`` the weighted mean variance.
    """

    weights: Floats
    without: Floats
    mean: float


def estimate_spread(observed: Floats, expected: Floats, variance: Floats) -> Spread:
    """Return the weights of each variance of the spread between trucks, given failures, expected and var(ln expected).

    A count of one truck is negative binomial (gamma mixture of Poisson counts). A count beyond a cut that depends on
    the expected number alone enters as "at least the cut", so that a few bad trucks do not widen the spread and good
    ones do not narrow it. Beforehand the standard deviation has a half-Cauchy weight of scale 0.5 (Gelman 2006,
    Bayesian Analysis 1:515-534).
    """
    spread = GRID[None, :] + variance[:, None]
    cut = _cuts(expected)
    log = np.where(
        (observed >= cut)[:, None],
        np.log(np.maximum(at_least(cut[:, None], expected[:, None], spread), 1e-300)),
        log_probability(observed[:, None], expected[:, None], spread),
    )
    log = np.where(expected[:, None] > 0, log, 0.0)
    total = log.sum(axis=0) + np.log(_beforehand())
    return Spread(_share(total), _share(total[None, :] - log), float(_share(total) @ GRID))


def _beforehand() -> Floats:
    deviation = np.sqrt(GRID)
    edges = np.concatenate([[0.0], (deviation[1:] + deviation[:-1]) / 2.0, [deviation[-1] * 1.15]])
    out: Floats = np.diff(edges) / (1.0 + (deviation / 0.5) ** 2)
    return out


def _share(log: Floats) -> Floats:
    weights = np.exp(log - log.max(axis=-1, keepdims=True))
    out: Floats = weights / weights.sum(axis=-1, keepdims=True)
    return out


def _cuts(expected: Floats) -> Floats:
    """Return the smallest count that at most one truck in twenty reaches at a spread of 0.3."""
    cut = np.maximum(np.ceil(expected), 1.0)
    for _ in range(10_000):
        more = at_least(cut, expected, np.full_like(expected, _CUT_SPREAD)) > _CUT_SHARE
        if not more.any():
            break
        cut = np.where(more, cut + np.maximum(1.0, np.floor(0.02 * cut)), cut)
    return cut


def log_probability(count: Floats, expected: Floats, spread: Floats) -> Floats:
    """Return the log probability of a count, gamma mixture of Poisson counts with mean ``expected``."""
    form = 1.0 / np.maximum(spread, 1e-6)
    safe = np.maximum(expected, 1e-300)
    out: Floats = (
        gammaln(form + count)
        - gammaln(form)
        - gammaln(count + 1.0)
        - (form + count) * np.log1p(safe / form)
        + count * np.log(safe / form)
    )
    return out


def at_least(count: Floats, expected: Floats, spread: Floats) -> Floats:
    """Return the probability of ``count`` or more, gamma mixture of Poisson counts with mean ``expected``."""
    form = 1.0 / np.maximum(spread, 1e-6)
    tail = betainc(np.maximum(count, 1e-9), form, expected / (expected + form))
    out: Floats = np.where(count <= 0, 1.0, tail)
    return out


def middle_p(observed: Floats, expected: Floats, variance: Floats, weights: Floats) -> Floats:
    """Return P(more failures than observed) + half P(as many), averaged over the spread; ``weights`` trucks x grid.

    The mid-P of Lancaster (1961, JASA 56:223-234) for the negative-binomial predictive count.
    """
    spread = GRID[None, :] + variance[:, None]
    more = at_least(np.floor(observed)[:, None] + 1.0, expected[:, None], spread)
    as_many = at_least(observed[:, None], expected[:, None], spread)
    out: Floats = np.clip((weights * 0.5 * (more + as_many)).sum(axis=1), 0.0, 1.0)
    return out


def poisson_p(observed: Floats, expected: Floats) -> Floats:
    """Return the Poisson mid-P of as many failures or more: worse than the class mean, trucks taken as alike."""
    return middle_p(observed, expected, np.zeros_like(expected), np.eye(1, len(GRID)).repeat(len(expected), axis=0))


def shrink(observed: Floats, expected: Floats, weights: Floats, level: float) -> tuple[Floats, Floats, Floats]:
    """Return the shrunken ratio of observed to expected with its interval, for each truck.

    The truck's ratio is beforehand gamma with mean 1 and the spread of the class, or with probability 0.02 gamma with
    mean 1 and variance 2 (a truck that belongs to no class); the posterior is a mixture of gamma distributions. The
    interval is widened where needed to hold the plain ratio too.
    """
    form = np.concatenate([1.0 / GRID, [_ABNORMAL_FORM]])[None, :]
    before = np.concatenate([weights * (1.0 - _ABNORMAL_SHARE), np.full((len(weights), 1), _ABNORMAL_SHARE)], axis=1)
    log = np.log(np.maximum(before, 1e-300)) + log_probability(observed[:, None], expected[:, None], 1.0 / form)
    after = _share(log)
    shape, rate = form + observed[:, None], form + expected[:, None]
    estimate = (after * shape / rate).sum(axis=1)
    low, high = (_mixture_quantile(q, after, shape, rate) for q in ((1.0 - level) / 2.0, (1.0 + level) / 2.0))
    plain = np.where(expected > 0, observed / np.maximum(expected, 1e-300), estimate)
    return (
        estimate,
        np.minimum.reduce([low, plain, estimate]),
        np.maximum.reduce([high, plain, estimate]),
    )


def _mixture_quantile(share: float, weights: Floats, shape: Floats, rate: Floats) -> Floats:
    """Return the quantile of each row's mixture of gamma distributions, by bisection to 1e-10 relative."""
    each = gammaincinv(shape, share) / rate
    low, high = each.min(axis=1), each.max(axis=1)
    for _ in range(60):
        at = (low + high) / 2.0
        below = (weights * gammainc(shape, rate * at[:, None])).sum(axis=1) < share
        low, high = np.where(below, at, low), np.where(below, high, at)
    out: Floats = (low + high) / 2.0
    return out


def ratio_interval(observed: Floats, expected: Floats, inflation: Floats, level: float) -> tuple[Floats, Floats]:
    """Return an interval for observed / expected: exact Poisson limits of the count divided by its inflation.

    Garwood (1936, Biometrika 28:437-442). ``inflation`` is the variance of the count over its Poisson variance.
    """
    tail = (1.0 - level) / 2.0
    count = observed / inflation
    low = np.where(observed > 0, gammaincinv(np.maximum(count, 1e-9), tail), 0.0)
    high = gammaincinv(count + 1.0, 1.0 - tail)
    scale = inflation / np.maximum(expected, 1e-300)
    return low * scale, high * scale


def rate_ratio(failures: tuple[float, float], exposure: tuple[float, float], level: float) -> dict[str, float]:
    """Return the ratio of two failure rates, its exact interval, and the exact p-values.

    Given the sum the first count is binomial (Przyborowski & Wilenski 1940, Biometrika 31:313-323); limits after
    Clopper & Pearson (1934, Biometrika 26:404-413). ``high`` is infinite when the second count is 0.
    """
    first, second = failures
    share = exposure[0] / (exposure[0] + exposure[1])
    tail = (1.0 - level) / 2.0
    odds = exposure[1] / exposure[0]
    low = _binomial_limit(first, second + 1.0, tail) if first > 0 else 0.0
    high = _binomial_limit(first + 1.0, second, 1.0 - tail) if second > 0 else 1.0
    greater = float(betainc(first, second + 1.0, share)) if first > 0 else 1.0
    less = 1.0 - float(betainc(first + 1.0, second, share)) if second > 0 else 1.0
    return {
        "ratio": first / exposure[0] / (second / exposure[1]) if second > 0 else float("inf"),
        "low": low / (1.0 - low) * odds,
        "high": high / (1.0 - high) * odds if high < 1.0 else float("inf"),
        "p_greater": greater,
        "p_two_sided": min(1.0, 2.0 * min(greater, less)),
    }


def _binomial_limit(successes: float, failures: float, share: float) -> float:
    from_beta = betaincinv(successes, failures, share)
    return float(from_beta)


def false_discovery(p_values: Floats, tests: int | None = None) -> Floats:
    """Return the smallest rate of false discoveries at which each row is found (Benjamini & Hochberg 1995, JRSS-B 57).

    ``tests`` is the number of tests made where some of them are not in ``p_values`` (their p taken as 1).
    """
    count = len(p_values) if tests is None else tests
    order = np.argsort(p_values, kind="stable")
    ranked = p_values[order] * count / np.arange(1, len(p_values) + 1)
    running = np.minimum.accumulate(ranked[::-1])[::-1]
    out = np.empty(len(p_values))
    out[order] = np.minimum(running, 1.0)
    return out

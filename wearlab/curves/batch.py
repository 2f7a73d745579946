"""Many Weibull fits at once: strata and row weights, by the project's own Newton kernels."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wearlab.curves.newton import FOUND, Rows, Solution, solve_between, solve_exact
from wearlab.curves.observations import BoolArray, FloatArray, IntArray, Observations

WHY = ("", "no failures", "failures without spread", "no maximum", "not converged")
BLOCK_ROWS = 65_536  # rows treated at once: whole strata that fit the cache


@dataclass(frozen=True, slots=True)
class WeibullFits:
    """Maximum-likelihood values of many fits, NaN where there is none; ``why`` says why not ('' where converged).

    One-dimensional (strata) from ``fit_weibulls``; (replicates, strata) from ``resample_weibulls``.
    """

    shape: FloatArray
    log_eta: FloatArray
    log_likelihood: FloatArray
    converged: BoolArray
    why: npt.NDArray[np.str_]

    def life_at(self, failed_share: float) -> FloatArray:
        """Return the age by which a share has failed, of each fit; ``life_at(0.1)`` is B10."""
        return np.asarray(np.exp(self.log_eta + np.log(-np.log1p(-failed_share)) / self.shape), dtype=np.float64)


def fit_weibulls(
    obs: Observations, stratum: IntArray, *, strata: int, weights: FloatArray | None = None
) -> WeibullFits:
    """Return the plain maximum-likelihood Weibull fit of every stratum at once.

    ``stratum`` numbers each life's stratum (0 to ``strata`` − 1; below 0 = in none); ``weights``, one per life,
    multiply its count (a resample that drew the life twice has weight 2). Right censoring, delayed entry, counts,
    failures between two ages and left-censored ones (lower = 0) in any mix. Agrees with a direct maximisation to 1e-10.
    """
    weight = obs.count if weights is None else obs.count * weights
    used = np.flatnonzero((stratum >= 0) & (weight > 0))
    order = used[np.argsort(stratum[used], kind="stable")]
    codes = stratum[order]
    first = np.flatnonzero(np.diff(codes, prepend=-1))
    rows = Rows(
        first.astype(np.int64),
        obs.entry[order],
        obs.exit[order],
        obs.failed[order],
        obs.lower[order],
        obs.upper[order],
        weight[order],
    )
    return _spread_out(solve_rows(rows), codes[first], strata)


def _spread_out(solution: Solution, present: IntArray, strata: int) -> WeibullFits:
    """Return the fits at their places among all strata; a stratum without lives has no failures."""
    status = np.ones(strata, dtype=np.int64)
    status[present] = solution.status
    found = status == FOUND

    def place(values: FloatArray) -> FloatArray:
        full = np.full(strata, np.nan)
        full[present] = values
        full[~found] = np.nan
        return full

    why = np.array(WHY)[status]
    return WeibullFits(place(solution.shape), place(solution.log_eta), place(solution.log_likelihood), found, why)


def solve_rows(rows: Rows) -> Solution:
    """Return the solution of every stratum of sorted rows, each by the kernel that its failures need, in blocks."""
    strata = len(rows.start)
    shape, log_eta, value = np.full((3, strata), np.nan)
    status = np.zeros(strata, dtype=np.int64)
    if strata:
        has_between = np.logical_or.reduceat(rows.between, rows.start)
        for chosen, solve in ((~has_between, solve_exact), (has_between, solve_between)):
            for block in _blocks(rows, np.flatnonzero(chosen)):
                part = solve(_strata_of(rows, block))
                shape[block], log_eta[block], value[block] = part.shape, part.log_eta, part.log_likelihood
                status[block] = part.status
    return Solution(shape, log_eta, value, status)


def _blocks(rows: Rows, chosen: IntArray) -> list[IntArray]:
    """Return the chosen strata in runs of about BLOCK_ROWS rows."""
    sizes = np.diff(np.append(rows.start, len(rows.exit)))[chosen]
    block = np.cumsum(sizes) // BLOCK_ROWS
    return [chosen[block == number] for number in np.unique(block)]


def _strata_of(rows: Rows, block: IntArray) -> Rows:
    """Return the rows of the named strata only."""
    ends = np.append(rows.start, len(rows.exit))
    sizes = ends[block + 1] - ends[block]
    start = np.cumsum(sizes) - sizes
    row = np.arange(sizes.sum()) + np.repeat(ends[block] - start, sizes)
    columns = (rows.entry[row], rows.exit[row])
    return Rows(start, *columns, rows.failed[row], rows.lower[row], rows.upper[row], rows.weight[row])

"""Thousands of Weibull fits to resampled trucks: one draw of trucks, shared by all strata.

One truck gives many lives that share its driver, route and care, so it is trucks that are drawn again, never lives.
Where failures are many, each truck's part of the likelihood is worked out once on a few Chebyshev points; every
replicate is then one row of a matrix product and a Newton solve on the interpolant. Where they are few, or where a
replicate leaves the range of the points, it is solved directly.
"""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev

from wearlab.curves.batch import BLOCK_ROWS, WHY, WeibullFits, solve_rows
from wearlab.curves.newton import FOUND, NO_FAILURES, Rows, Solution, joint_sums
from wearlab.curves.observations import BoolArray, FloatArray, IntArray, Observations

ENOUGH_EXACT, ENOUGH_BETWEEN = 40.0, 150.0  # failures from which the interpolant is good to 1e-5 (test_resample)
NODES_EXACT, NODES_BETWEEN = 20, 12
REACH = 9.0  # standard errors covered by the Chebyshev points, each way


def draw_trucks(trucks: int, *, replicates: int, seed: int, copies: FloatArray | None = None) -> FloatArray:
    """Return weights (replicates, trucks): how often each truck is drawn, Poisson with mean 1, from ``seed`` alone.

    ``copies``: how many like trucks stand behind each number; their draws are averaged. Source: the Poisson form of
    resampling, Hanley & MacGibbon (2006), Comput. Methods Programs Biomed. 83.
    """
    mean = np.ones(trucks) if copies is None else np.maximum(copies, 1.0)
    drawn = np.random.default_rng(seed).poisson(mean, size=(replicates, trucks))
    return np.asarray(drawn / mean, dtype=np.float64)


def resample_weibulls(obs: Observations, stratum: IntArray, *, strata: int, truck_weights: FloatArray) -> WeibullFits:
    """Return the fit of every stratum under every draw of trucks: arrays of shape (replicates, strata).

    ``truck_weights`` has a row per replicate and a column per truck code of ``obs``. A replicate without a maximum is
    NaN with its reason. The result does not depend on the number of threads or the order of strata.
    """
    replicates = len(truck_weights)
    shape, log_eta, value = np.full((3, replicates, strata), np.nan)
    status = np.full((replicates, strata), NO_FAILURES)
    for number in range(strata):
        rows = np.flatnonzero(stratum == number)
        if not len(rows):
            continue
        part = obs.take(rows)
        trucks, local = np.unique(part.truck, return_inverse=True)
        found = _resample_one(part, local, truck_weights[:, trucks])
        shape[:, number], log_eta[:, number] = found.shape, found.log_eta
        value[:, number], status[:, number] = found.log_likelihood, found.status
    good = status == FOUND
    for values in (shape, log_eta, value):
        values[~good] = np.nan
    return WeibullFits(shape, log_eta, value, good, np.array(WHY)[status])


def _resample_one(obs: Observations, truck: IntArray, weights: FloatArray) -> Solution:
    """Return the solution of one stratum under every replicate (all arrays over replicates)."""
    start = np.zeros(1, dtype=np.int64)
    rows = Rows(start, obs.entry, obs.exit, obs.failed, obs.lower, obs.upper, obs.count)
    centre = solve_rows(rows)
    close, enough = (_interpolate_between, ENOUGH_BETWEEN) if obs.between.any() else (_interpolate_exact, ENOUGH_EXACT)
    if centre.status[0] != FOUND or obs.count[obs.failed].sum() < enough:
        return _solve_directly(rows, truck, weights)
    solution, inside = close(rows, centre, truck, weights)
    if inside.all():
        return solution
    left = np.flatnonzero(~inside)
    direct = _solve_directly(rows, truck, weights[left])
    for whole, part in zip(_columns(solution), _columns(direct), strict=True):
        whole[left] = part
    return solution


def _columns(solution: Solution) -> tuple[FloatArray | IntArray, ...]:
    return solution.shape, solution.log_eta, solution.log_likelihood, solution.status


def _solve_directly(rows: Rows, truck: IntArray, weights: FloatArray) -> Solution:
    """Return every replicate solved as a stratum of its own, some replicates at a time."""
    size = len(rows.exit)
    step = max(1, 4 * BLOCK_ROWS // size)
    parts = [_tile(rows, truck, weights[first : first + step]) for first in range(0, len(weights), step)]
    return Solution(
        np.concatenate([part.shape for part in parts]),
        np.concatenate([part.log_eta for part in parts]),
        np.concatenate([part.log_likelihood for part in parts]),
        np.concatenate([part.status for part in parts]),
    )


def _tile(rows: Rows, truck: IntArray, weights: FloatArray) -> Solution:
    drawn = weights[:, truck] * rows.weight
    replicate, row = np.nonzero(drawn > 0)
    present, start = np.unique(replicate, return_index=True)
    tiled = Rows(
        start.astype(np.int64),
        rows.entry[row],
        rows.exit[row],
        rows.failed[row],
        rows.lower[row],
        rows.upper[row],
        drawn[replicate, row],
    )
    solved = solve_rows(tiled)
    shape, log_eta, value = np.full((3, len(weights)), np.nan)
    status = np.full(len(weights), NO_FAILURES)
    shape[present], log_eta[present], value[present] = solved.shape, solved.log_eta, solved.log_likelihood
    status[present] = solved.status
    return Solution(shape, log_eta, value, status)


def _sum_by_truck(values: FloatArray, truck: IntArray) -> FloatArray:
    order = np.argsort(truck, kind="stable")
    first = np.flatnonzero(np.diff(truck[order], prepend=-1))
    return np.asarray(np.add.reduceat(values[order], first, axis=0), dtype=np.float64)


def _interpolate_exact(
    rows: Rows, centre: Solution, truck: IntArray, weights: FloatArray
) -> tuple[Solution, BoolArray]:
    """Return every replicate's solution from ln S0(β) on Chebyshev points, and which stayed within them.

    S0(β) = Σ w(t^β − entry^β) carries everything that the profile likelihood needs (newton.solve_exact).
    """
    log_exit = np.log(rows.exit)
    oldest = log_exit.max()
    u, failed = log_exit - oldest, rows.weight * rows.failed
    late = rows.entry > 0
    best = float(centre.shape[0])
    half = best * min(REACH * 0.78 / np.sqrt(failed.sum()), 0.9)
    nodes = best + half * _points(NODES_EXACT)
    powers = np.exp(np.outer(u, nodes))
    powers[late] -= np.exp(np.outer(np.log(rows.entry[late]) - oldest, nodes))
    columns = np.column_stack([powers * rows.weight[:, None], failed, failed * u, failed * log_exit])
    summed = _weigh(weights, _sum_by_truck(columns, truck))
    failures, sum_u, sum_log = summed[:, -3], summed[:, -2], summed[:, -1]
    enough = (failures > 0.3 * failed.sum()) & (summed[:, 0] > 0)
    safe = np.where(enough, failures, 1.0)
    logs = np.log(np.where(enough[:, None], summed[:, :-3], 1.0))
    curve = np.asarray(np.einsum("ij,rj->ir", _inverse(NODES_EXACT), logs), dtype=np.float64)
    shape, settled = _newton_on_curve(curve, sum_u / safe, best, half)
    s0 = np.exp(chebyshev.chebval((shape - best) / half, curve, tensor=False))
    log_eta = oldest + np.log(s0 / safe) / shape
    value = failures * (np.log(shape) - shape * log_eta - 1.0) + (shape - 1.0) * sum_log
    inside = settled & enough & (np.abs(shape - best) < 0.97 * half)
    return Solution(shape, log_eta, value, np.full(len(shape), FOUND)), inside


def _weigh(weights: FloatArray, summed: FloatArray) -> FloatArray:
    """Return weights × sums without the threaded product, whose last digit may hang on the number of threads."""
    return np.asarray(np.einsum("rt,tc->rc", weights, summed), dtype=np.float64)


def _points(count: int) -> FloatArray:
    return np.asarray(np.cos(np.pi * (np.arange(count) + 0.5) / count), dtype=np.float64)


def _basis(x: FloatArray, degree: int) -> FloatArray:
    return np.asarray(chebyshev.chebvander(x, degree), dtype=np.float64)


def _inverse(count: int) -> FloatArray:
    """Return the matrix that turns values on the Chebyshev points into coefficients."""
    return np.asarray(np.linalg.inv(_basis(_points(count), count - 1)), dtype=np.float64)


def _newton_on_curve(curve: FloatArray, mean_u: FloatArray, best: float, half: float) -> tuple[FloatArray, BoolArray]:
    """Return the root in β of each replicate's score on its interpolant, and whether it was reached."""
    first = np.asarray(chebyshev.chebder(curve) / half, dtype=np.float64)
    second = np.asarray(chebyshev.chebder(curve, 2) / half**2, dtype=np.float64)
    shape = np.full(len(mean_u), best)
    settled = np.zeros(len(mean_u), dtype=bool)
    for _ in range(40):
        x = (shape - best) / half
        slope = 1.0 / shape + mean_u - chebyshev.chebval(x, first, tensor=False)
        bend = -1.0 / shape**2 - chebyshev.chebval(x, second, tensor=False)
        step = np.clip(-slope / np.minimum(bend, -1e-12), -0.3 * half, 0.3 * half)
        shape = np.clip(shape + step, best - half, best + half)
        settled = np.abs(step) <= 1e-9 * best
        if settled.all():
            break
    return shape, settled


@dataclass(frozen=True, slots=True)
class _Frame:
    """Coordinates in which the likelihood of all trucks is round about its maximum: (log β, a) = centre + turn·z."""

    centre: FloatArray
    turn: FloatArray
    half: float


def _interpolate_between(
    rows: Rows, centre: Solution, truck: IntArray, weights: FloatArray
) -> tuple[Solution, BoolArray]:
    """Return every replicate's solution from the log-likelihood on a square of Chebyshev points, and which stayed in.

    For strata with failures known only between two ages, where no parameter can be eliminated.
    """
    sums = joint_sums(rows)
    shape, offset = centre.shape, centre.shape * (centre.log_eta - sums.centre)
    _, _, bb, ba, aa = (float(values[0]) for values in sums.slopes(shape, offset))
    best = float(shape[0])
    information = -np.array([[bb * best**2, ba * best], [ba * best, aa]])
    frame = _Frame(np.array([np.log(best), offset[0]]), np.linalg.inv(np.linalg.cholesky(information)).T, REACH)
    x = _points(NODES_BETWEEN)
    grid = np.array([(first, second) for first in x for second in x]) * frame.half
    places = frame.centre + grid @ frame.turn.T
    single = joint_sums(_each_row(rows), centre=np.full(len(rows.exit), float(sums.centre[0])))
    each = np.column_stack(
        [single.value(np.full(len(rows.exit), np.exp(b)), np.full(len(rows.exit), a)) for b, a in places]
    )
    middle = single.value(np.full(len(rows.exit), best), np.full(len(rows.exit), offset[0]))
    base = _weigh(weights, _sum_by_truck(middle[:, None], truck))[:, 0]
    surface = _weigh(weights, _sum_by_truck(each - middle[:, None], truck))
    z, gain, settled = _newton_on_surface(_to_coefficients(surface), frame.half)
    place = frame.centre + z @ frame.turn.T
    found_shape = np.exp(place[:, 0])
    log_eta = float(sums.centre[0]) + place[:, 1] / found_shape
    inside = settled & (np.abs(z).max(axis=1) < 0.97 * frame.half)
    return Solution(found_shape, log_eta, base + gain, np.full(len(z), FOUND)), inside


def _each_row(rows: Rows) -> Rows:
    """Return the rows with every row a stratum of its own."""
    start = np.arange(len(rows.exit), dtype=np.int64)
    return Rows(start, rows.entry, rows.exit, rows.failed, rows.lower, rows.upper, rows.weight)


def _to_coefficients(surface: FloatArray) -> FloatArray:
    """Return the tensor Chebyshev coefficients (replicates, p, p) of values on the square of points."""
    count = NODES_BETWEEN
    inverse = _inverse(count)
    values = surface.reshape(len(surface), count, count)
    return np.asarray(np.einsum("ij,rjk,lk->ril", inverse, values, inverse), dtype=np.float64)


def _newton_on_surface(coefficients: FloatArray, half: float) -> tuple[FloatArray, FloatArray, BoolArray]:
    degree = coefficients.shape[1] - 1
    unit = np.eye(degree + 1)
    to_first: FloatArray = np.vstack([chebyshev.chebder(unit), np.zeros((1, degree + 1))]) / half
    to_second: FloatArray = np.vstack([chebyshev.chebder(unit, 2), np.zeros((2, degree + 1))]) / half**2
    z = np.zeros((len(coefficients), 2))
    settled = np.zeros(len(z), dtype=bool)
    for _ in range(40):
        p, q = _basis(z[:, 0] / half, degree), _basis(z[:, 1] / half, degree)
        dp, ddp, dq, ddq = p @ to_first, p @ to_second, q @ to_first, q @ to_second

        def read(left: FloatArray, right: FloatArray) -> FloatArray:
            return np.asarray(np.einsum("ri,rij,rj->r", left, coefficients, right), dtype=np.float64)

        g0, g1, h00, h01, h11 = read(dp, q), read(p, dq), read(ddp, q), read(dp, dq), read(p, ddq)
        determinant = h00 * h11 - h01**2
        dome = (determinant > 0) & (h00 < 0)
        safe = np.where(dome, determinant, 1.0)
        step = np.column_stack([-(h11 * g0 - h01 * g1) / safe, -(h00 * g1 - h01 * g0) / safe])
        uphill = np.column_stack([g0, g1]) / (1.0 + np.hypot(g0, g1))[:, None]
        step = np.clip(np.where(dome[:, None], step, uphill), -2.0, 2.0)
        z = np.clip(z + step, -half, half)
        settled = np.abs(step).max(axis=1) < 1e-9
        if settled.all():
            break
    p, q = _basis(z[:, 0] / half, degree), _basis(z[:, 1] / half, degree)
    return z, np.einsum("ri,rij,rj->r", p, coefficients, q), settled

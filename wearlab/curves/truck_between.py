"""What failures known only between two ages add to the likelihood of trucks that differ, with its slopes.

Given all else, the factor z of a truck with D failures and hazard H is gamma with shape 1/φ + D and rate 1/φ + H. A
failure in an interval of hazard Δ then adds ln Δ, and a truck ln of the mean over z of Π (1 − e^(−zΔ))/(zΔ). The mean
is a sum over fixed nodes ν in about normal coordinates (Wilson & Hilferty 1931): with t = 1/√(1/φ + D),
z = (1 + φD)/(1 + φH)·w³, w = 1 + tν/3 − t²/9; every slope is that of this sum.
"""

from dataclasses import dataclass

import numpy as np

from wearlab.curves.observations import FloatArray, IntArray

NODES = np.linspace(-6.3, 6.3, 19)
SMALLEST = 1e-300


@dataclass(frozen=True, slots=True)
class Between:
    """The failures known only between two ages, sorted by truck; ages as logs, 0 with no ``reaches`` for age 0."""

    log_lower: FloatArray
    reaches: FloatArray  # 1 where the lower age is above 0, else 0
    log_upper: FloatArray
    count: FloatArray
    later: FloatArray  # 1 for the lives that a fourth coordinate bears on, else 0
    start: IntArray  # first row of each truck that has one
    truck: IntArray  # which truck that is
    of_truck: IntArray  # of each row, the place of its truck among these
    failures: FloatArray  # the numbers D that occur
    kind: IntArray  # which of them each of these trucks has


@dataclass(frozen=True, slots=True)
class Watched:
    """The hazard of trucks, H, and its slopes by the coordinates other than √φ: (points, trucks), coordinates first."""

    hazard: FloatArray
    first: FloatArray
    second: FloatArray

    def of(self, trucks: IntArray) -> "Watched":
        """Return the named trucks only."""
        return Watched(self.hazard[:, trucks], self.first[..., trucks], self.second[..., trucks])


@dataclass(frozen=True, slots=True)
class _Widths:
    """ln Δ of each interval and its slopes by ln β, by ln η (−β, the same for all) and by the fourth coordinate."""

    log: FloatArray
    by_shape: FloatArray
    by_shape_twice: FloatArray


@dataclass(frozen=True, slots=True)
class _Nodes:
    """Weights and factors on the nodes, by number of failures: ln weight, ln w³, and their slopes by √φ."""

    log_weight: FloatArray
    weight_by: FloatArray
    weight_twice: FloatArray
    log_cube: FloatArray
    cube_by: FloatArray
    cube_twice: FloatArray


def between_slopes(rows: Between, points: FloatArray, watched: Watched) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return value, gradient and curvature at points (ln β, ln η, √φ, perhaps γ); ``watched``: of ``rows.truck``."""
    size = points.shape[1]
    order = [0, 1, 3][: size - 1]  # where the coordinates of ``watched`` stand
    shape, root = np.exp(points[:, :1]), points[:, 2:3]
    widths = _widths(rows, points, shape)
    nodes = _on_nodes(root, rows.failures)
    factor, factor_by, factor_twice = _factors(rows, root, watched, nodes, shape, size, order)
    x = np.maximum(factor[:, rows.of_truck, :] * np.exp(widths.log)[..., None], SMALLEST)
    gone = -np.expm1(-x)
    ratio = x * (1.0 - gone) / gone
    h0, h1, h2 = np.log(gone / x), ratio - 1.0, ratio * (1.0 - x / gone)

    def add(values: FloatArray, by: FloatArray | None = None) -> FloatArray:
        weight = rows.count if by is None else rows.count * by
        return np.asarray(np.add.reduceat(values * weight[..., None], rows.start, axis=1), dtype=np.float64)

    s1, s2 = add(h1), add(h2)
    own = {0: widths.by_shape} | ({3: np.broadcast_to(rows.later, widths.log.shape)} if size == 4 else {})
    first = [s1 * factor_by[i] + (add(h1, own[i]) if i in own else 0.0) for i in range(size)]
    first[2] = first[2] + nodes.weight_by[:, rows.kind]
    twice = {i: add(h2, own[i]) for i in own}
    density = nodes.log_weight[:, rows.kind] + add(h0)
    share, value = _normalise(density)
    before, base = _normalise(nodes.log_weight)
    trucks = np.bincount(rows.kind, minlength=len(rows.failures))
    mean = [(share * f).sum(axis=2) for f in first]
    gradient = np.stack([m.sum(axis=1) for m in mean], axis=1)
    curvature = np.empty((len(points), size, size))
    for i in range(size):
        for j in range(i + 1):
            bend = s1 * factor_twice[i][j] + s2 * factor_by[i] * factor_by[j] + first[i] * first[j]
            if i in twice:
                bend = bend + twice[i] * factor_by[j]
            if j in twice:
                bend = bend + twice[j] * factor_by[i]
            if i in own and j in own:
                bend = bend + add(h2, own[i] * own[j])
            if i == j == 0:
                bend = bend + add(h1, widths.by_shape_twice)
            if i == j == 2:
                bend = bend + nodes.weight_twice[:, rows.kind]
            curvature[:, i, j] = ((share * bend).sum(axis=2) - mean[i] * mean[j]).sum(axis=1)
            curvature[:, j, i] = curvature[:, i, j]
    pull = (before * nodes.weight_by).sum(axis=2)
    bent = (before * (nodes.weight_twice + nodes.weight_by**2)).sum(axis=2) - pull**2
    gradient[:, 2] -= pull @ trucks
    curvature[:, 2, 2] -= bent @ trucks
    total = value.sum(axis=1) - base @ trucks + widths.log @ rows.count
    gradient[:, 0] += widths.by_shape @ rows.count
    gradient[:, 1] -= shape[:, 0] * rows.count.sum()
    curvature[:, 0, 0] += widths.by_shape_twice @ rows.count
    curvature[:, 0, 1] -= shape[:, 0] * rows.count.sum()
    curvature[:, 1, 0] = curvature[:, 0, 1]
    if size == 4:
        gradient[:, 3] += rows.later @ rows.count
    return total, gradient, curvature


def _widths(rows: Between, points: FloatArray, shape: FloatArray) -> _Widths:
    """Return ln Δ and its slopes, Δ = H(upper) − H(lower)."""
    above = np.minimum(shape * (rows.log_upper - points[:, 1:2]), 200.0)
    below = np.minimum(shape * (rows.log_lower - points[:, 1:2]), 200.0)
    high, low = np.exp(above), np.exp(below) * rows.reaches
    width = np.maximum(high - low, SMALLEST)
    by_shape = (above * high - below * low) / width
    twice = (above * (1.0 + above) * high - below * (1.0 + below) * low) / width - by_shape**2
    extra = np.clip(points[:, 3:].sum(axis=1, keepdims=True), -30, 30)
    return _Widths(np.log(width) + extra * rows.later, by_shape, twice)


def _on_nodes(root: FloatArray, failures: FloatArray) -> _Nodes:
    """Return the weights and factors of each number of failures on the nodes, smooth in √φ down to 0.

    The gamma density at w is (3/t² − 1)·ln w − (w³ − 1)/t² but for a constant; with ρ = w − 1 = tσ that is
    −9σ²/2 + 3t²σ⁴·k(ρ) − ln w, k(ρ) = (ln(1 + ρ) − ρ + ρ²/2 − ρ³/3)/ρ⁴.
    """
    full = 1.0 + failures * root**2
    t, by, twice = (
        (root / np.sqrt(full))[..., None],
        (full**-1.5)[..., None],
        (-3.0 * failures * root * full**-2.5)[..., None],
    )
    sigma, slope = NODES / 3.0 - t / 9.0, NODES / 3.0 - 2.0 * t / 9.0
    inside = 1.0 + t * sigma > 1e-8  # a node below would stand for a factor below 0: it weighs nothing
    w = np.where(inside, 1.0 + t * sigma, 1.0)
    k = _quartic(w - 1.0)
    rise, cube = slope / w, sigma**3
    log_weight = -4.5 * sigma**2 + 3.0 * t**2 * sigma**4 * k - np.log(w)
    first = sigma - 3.0 * t * cube * rise - 6.0 * t * sigma**4 * k - rise
    second = (
        -1.0 / 9.0
        + 3.0 * cube * rise
        + (t * sigma**2 * slope + 2.0 / 3.0 * t * cube) / w
        + 3.0 * t * cube * rise**2
        + 18.0 * sigma**4 * k
        + 2.0 / 9.0 / w
        + rise**2
    )
    bend = -2.0 / 9.0 / w - rise**2
    return _Nodes(
        np.where(inside, log_weight, -1e3),
        np.where(inside, first * by, 0.0),
        np.where(inside, second * by**2 + first * twice, 0.0),
        np.where(inside, 3.0 * np.log(w), -50.0),
        np.where(inside, 3.0 * rise * by, 0.0),
        np.where(inside, 3.0 * (bend * by**2 + rise * twice), 0.0),
    )


def _quartic(rho: FloatArray) -> FloatArray:
    """Return (ln(1 + ρ) − ρ + ρ²/2 − ρ³/3)/ρ⁴, by its series near 0."""
    small = np.abs(rho) < 0.03
    near = np.where(small, rho, 0.0)
    series = np.zeros_like(rho)
    for power in range(11, 3, -1):
        series = series * near + (-1.0) ** (power + 1) / power
    far = np.where(small, 1.0, rho)
    return np.where(small, series, (np.log1p(far) - far + far**2 / 2 - far**3 / 3) / far**4)


def _factors(
    rows: Between,
    root: FloatArray,
    watched: Watched,
    nodes: _Nodes,
    shape: FloatArray,
    size: int,
    order: list[int],
) -> tuple[FloatArray, list[FloatArray], list[list[FloatArray]]]:
    """Return the factors z on the nodes of each truck, and the slopes of ln z, with −β for what ln Δ adds by ln η."""
    failures, phi = rows.failures[rows.kind], root**2
    full, whole = 1.0 + failures * phi, 1.0 + watched.hazard * phi
    factor = np.exp(nodes.log_cube)[:, rows.kind] * (full / whole)[..., None]
    pull, by_root = phi / whole, 2.0 * root / whole**2
    by: list[FloatArray] = [np.zeros(0)] * size
    twice: list[list[FloatArray]] = [[np.zeros(0)] * size for _ in range(size)]
    for place, i in enumerate(order):
        by[i] = -(pull * watched.first[place])[..., None]
        twice[i][2] = twice[2][i] = -(by_root * watched.first[place])[..., None]
        for other, j in enumerate(order):
            bend = pull**2 * watched.first[place] * watched.first[other] - pull * watched.second[place, other]
            twice[i][j] = (bend - shape if {i, j} == {0, 1} else bend)[..., None]
    by[1] = by[1] - shape[..., None]
    straight = 2.0 * root * (failures / full - watched.hazard / whole)
    bent = failures * (1.0 - failures * phi) / full**2 - watched.hazard * (1.0 - watched.hazard * phi) / whole**2
    by[2] = straight[..., None] + nodes.cube_by[:, rows.kind]
    twice[2][2] = 2.0 * bent[..., None] + nodes.cube_twice[:, rows.kind]
    return factor, by, twice


def _normalise(logs: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the shares of e^logs over the last axis, and ln of their sum."""
    top = logs.max(axis=-1, keepdims=True)
    weight = np.exp(logs - top)
    total = weight.sum(axis=-1, keepdims=True)
    return weight / total, np.log(total[..., 0]) + top[..., 0]

"""The two Newton kernels of the batched Weibull fits: one for exact ages, one for failures between two ages.

Both take rows sorted by stratum with ``start`` the first row of each stratum, and treat all strata at once.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

SHAPE_LOW, SHAPE_HIGH = 1e-3, 1e6  # a maximum outside is none that a part could have
TOLERANCE = 1e-10  # of the last Newton step, whose error is its square
ROUNDS = 80

FOUND, NO_FAILURES, NO_SPREAD, NO_MAXIMUM, NOT_CONVERGED = range(5)


@dataclass(frozen=True, slots=True)
class Rows:
    """Lives of many strata, sorted by stratum; ``weight`` holds counts and resampling weights."""

    start: IntArray
    entry: FloatArray
    exit: FloatArray
    failed: BoolArray
    lower: FloatArray
    upper: FloatArray
    weight: FloatArray

    @property
    def stratum(self) -> IntArray:
        """Return the number of the stratum of each row."""
        sizes = np.diff(np.append(self.start, len(self.exit)))
        return np.repeat(np.arange(len(self.start)), sizes)

    @property
    def between(self) -> BoolArray:
        """Failures known only to lie between two ages."""
        return self.failed & (self.lower < self.upper)


@dataclass(frozen=True, slots=True)
class Solution:
    """Shape, log η, log-likelihood and status code of each stratum; only status FOUND carries numbers to use."""

    shape: FloatArray
    log_eta: FloatArray
    log_likelihood: FloatArray
    status: IntArray


@dataclass(frozen=True, slots=True)
class _ProfileSums:
    """What the profile likelihood of exact ages needs of the rows, in log age below the stratum's oldest."""

    stratum: IntArray
    start: IntArray
    u: FloatArray
    weight: FloatArray
    late: IntArray  # rows that entered after age 0
    v: FloatArray

    def moments(self, shape: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return Σ w·u^j·e^{βu} less the same of the entries, j = 0, 1, 2, per stratum."""
        strata = len(self.start)
        term = np.exp(shape[self.stratum] * self.u)
        term *= self.weight
        sums = [np.add.reduceat(term, self.start)]
        for _ in range(2):
            term *= self.u
            sums.append(np.add.reduceat(term, self.start))
        if len(self.late):
            at = self.stratum[self.late]
            term = np.exp(shape[at] * self.v) * self.weight[self.late]
            for power in range(3):
                sums[power] -= np.bincount(at, term, strata)
                term = term * self.v
        return sums[0], sums[1], sums[2]


def solve_exact(rows: Rows) -> Solution:
    """Return the maximum of strata whose failures all have exact ages, by Newton on the profile likelihood in log β.

    Given β the scale is closed: η^β = Σ(t^β − entry^β)/failures, which leaves one equation per stratum,
    1/β + mean log t of the failures − S1/S0 = 0. Newton steps are kept inside a bracket. Source: Lawless (2003),
    Statistical Models and Methods for Lifetime Data, section 5.2; entries enter through their cumulative hazard.
    """
    log_exit = np.log(rows.exit)
    stratum = rows.stratum
    oldest = np.maximum.reduceat(log_exit, rows.start)
    u = log_exit - oldest[stratum]
    late = np.flatnonzero(rows.entry > 0)
    sums = _ProfileSums(stratum, rows.start, u, rows.weight, late, np.log(rows.entry[late]) - oldest[stratum[late]])
    weight = rows.weight * rows.failed
    failures = np.add.reduceat(weight, rows.start)
    safe = np.where(failures > 0, failures, 1.0)
    mean_u = np.add.reduceat(weight * u, rows.start) / safe
    status = np.where(failures > 0, np.where(mean_u < -1.0 / SHAPE_HIGH, FOUND, NO_SPREAD), NO_FAILURES)
    spread = np.add.reduceat(weight * u * u, rows.start) / safe - mean_u**2
    first = np.clip(1.28 / np.sqrt(np.maximum(spread, 1e-12)), 0.1, 30.0)
    shape, converged = _solve_profile(sums, mean_u, first, status == FOUND)
    s0 = np.maximum(sums.moments(shape)[0], 1e-300)
    log_eta = oldest + np.log(s0 / safe) / shape
    sum_log = np.add.reduceat(weight * log_exit, rows.start)
    value = failures * (np.log(shape) - shape * log_eta - 1.0) + (shape - 1.0) * sum_log
    status = np.where((status == FOUND) & ~converged, NOT_CONVERGED, status)
    edge = (shape <= SHAPE_LOW * 1.01) | (shape >= SHAPE_HIGH * 0.99)
    return Solution(shape, log_eta, value, np.where((status != NO_FAILURES) & edge, NO_MAXIMUM, status))


def _solve_profile(
    sums: _ProfileSums, mean_u: FloatArray, first: FloatArray, active: BoolArray
) -> tuple[FloatArray, BoolArray]:
    """Return the root in β of each active stratum, and whether it was reached."""
    shape = np.where(active, first, 1.0)
    low, high = np.full(len(shape), SHAPE_LOW), np.full(len(shape), SHAPE_HIGH)
    done = ~active
    for _ in range(ROUNDS):
        s0, s1, s2 = sums.moments(shape)
        s0 = np.maximum(s0, 1e-300)
        ratio = s1 / s0
        slope = 1.0 / shape + mean_u - ratio
        bend = -1.0 / shape**2 - (s2 / s0 - ratio**2)
        low, high = np.where(slope > 0, shape, low), np.where(slope < 0, shape, high)
        second = shape * slope + shape**2 * bend
        step = -shape * slope / np.where(second < 0, second, -1.0)
        moved = shape * np.exp(np.clip(step, -1.0, 1.0))
        settled = (second < 0) & (np.abs(step) <= TOLERANCE)
        outside = ~settled & ((second >= 0) | (moved <= low) | (moved >= high))
        halved = np.sqrt(np.maximum(low, shape / 4) * np.minimum(high, shape * 4))
        moved = np.where(outside & (slope != 0), halved, np.where(slope == 0, shape, moved))
        settled |= np.abs(moved - shape) <= TOLERANCE * shape
        shape = np.where(done, shape, moved)  # a stratum that has its root stays there while others go on
        done = done | settled
        if done.all():
            break
    return shape, done & active


@dataclass(frozen=True, slots=True)
class _Part:
    """Ages of one kind (ends, entries, bounds) of the rows they belong to, as log age about the stratum's centre."""

    row: IntArray
    log_age: FloatArray

    def hazards(self, shape: FloatArray, offset: FloatArray) -> FloatArray:
        """Return H = exp(β·x − a); exponents beyond 300 are held there, where every step is refused anyway."""
        return np.exp(np.minimum(shape * self.log_age - offset, 300.0))


@dataclass(frozen=True, slots=True)
class JointSums:
    """What the joint likelihood needs of the rows, H(t) = exp(β·x − a) with x = log t − centre, a = β·(log η − centre).

    In (β, a) the likelihood of exact, suspended and interval-found lives is concave (Burridge 1981, JRSS B 43).
    """

    rows: Rows
    stratum: IntArray
    ends: _Part
    entries: _Part
    exact: _Part
    uppers: _Part
    lowers: _Part  # of each interval; log age −inf where the lower bound is 0
    centre: FloatArray

    def total(self, values: FloatArray) -> FloatArray:
        """Return the weighted sum of one value per row, per stratum."""
        return np.add.reduceat(values * self.rows.weight, self.rows.start)

    def value(self, shape: FloatArray, offset: FloatArray) -> FloatArray:
        """Return the log-likelihood of each stratum at its β and a."""
        per_row = np.zeros(len(self.stratum))
        for part, sign in ((self.ends, -1.0), (self.entries, 1.0)):
            at = self.stratum[part.row]
            per_row[part.row] += sign * part.hazards(shape[at], offset[at])
        at = self.stratum[self.exact.row]
        x = self.exact.log_age
        per_row[self.exact.row] += np.log(shape[at]) + shape[at] * x - offset[at] - x - self.centre[at]
        _, _, added = self._added(shape, offset)
        per_row[self.uppers.row] += np.log(-np.expm1(-np.maximum(added, 1e-300)))
        return self.total(per_row)

    def slopes(self, shape: FloatArray, offset: FloatArray) -> tuple[FloatArray, ...]:
        """Return the first derivatives in β and a and the second ones (ββ, βa, aa) of each stratum."""
        out = [np.zeros(len(self.stratum)) for _ in range(5)]
        for part, sign in ((self.ends, -1.0), (self.entries, 1.0)):
            at = self.stratum[part.row]
            hazard = sign * part.hazards(shape[at], offset[at])
            moments = _moments(hazard, part.log_age)
            for target, term in zip(out, moments, strict=True):
                target[part.row] += term
        at = self.stratum[self.exact.row]
        out[0][self.exact.row] += 1.0 / shape[at] + self.exact.log_age
        out[1][self.exact.row] -= 1.0
        out[2][self.exact.row] -= 1.0 / shape[at] ** 2
        for target, term in zip(out, self._between(shape, offset), strict=True):
            target[self.uppers.row] += term
        return tuple(self.total(values) for values in out)

    def _added(self, shape: FloatArray, offset: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return H at the upper and at the lower bound of each interval, and their difference without cancellation."""
        at = self.stratum[self.uppers.row]
        above, below = (part.hazards(shape[at], offset[at]) for part in (self.uppers, self.lowers))
        return above, below, above * -np.expm1(shape[at] * (self.lowers.log_age - self.uppers.log_age))

    def _between(self, shape: FloatArray, offset: FloatArray) -> tuple[FloatArray, ...]:
        above, below, added = self._added(shape, offset)
        low_age = np.where(np.isfinite(self.lowers.log_age), self.lowers.log_age, 0.0)
        first = _moments(above, self.uppers.log_age)
        second = _moments(below, low_age)
        d_b, d_a, d_bb, d_ba, d_aa = (x - y for x, y in zip(first, second, strict=True))
        q = 1.0 / np.expm1(np.clip(added, 1e-150, 500.0))
        bend = q * (1.0 + q)
        return q * d_b, q * d_a, q * d_bb - bend * d_b**2, q * d_ba - bend * d_b * d_a, q * d_aa - bend * d_a**2


def _moments(hazard: FloatArray, x: FloatArray) -> tuple[FloatArray, ...]:
    """Return the derivatives of H = exp(βx − a): by β, a, ββ, βa, aa."""
    by_shape = hazard * x
    return by_shape, -hazard, by_shape * x, -by_shape, hazard


def joint_sums(rows: Rows, *, centre: FloatArray | None = None) -> JointSums:
    """Return what the joint likelihood of sorted rows is made of, centred at the mean log age of the failures."""
    stratum, between = rows.stratum, rows.between
    if centre is None:
        weight = rows.weight * rows.failed
        failures = np.add.reduceat(weight, rows.start)
        centre = np.add.reduceat(weight * np.log(rows.exit), rows.start) / np.where(failures > 0, failures, 1.0)
    middle = centre
    with np.errstate(divide="ignore"):
        lower, entry = np.log(rows.lower), np.log(rows.entry)
    ends = np.where(between, rows.lower, rows.exit)

    def part(chosen: BoolArray, log_age: FloatArray) -> _Part:
        row = np.flatnonzero(chosen)
        return _Part(row, log_age[row] - middle[stratum[row]])

    log_exit = np.log(rows.exit)
    return JointSums(
        rows,
        stratum,
        part(ends > 0, np.where(between, lower, log_exit)),
        part(rows.entry > 0, entry),
        part(rows.failed & ~between, log_exit),
        part(between, log_exit),
        part(between, lower),
        centre,
    )


def solve_between(rows: Rows) -> Solution:
    """Return the maximum of strata in which some failures are known only to lie between two ages.

    Newton in (β, a), a = β·(log η − centre), with a ridge wherever a step would lower the likelihood.
    """
    sums = joint_sums(rows)
    first = solve_exact(_at_middle(rows))
    usable = (first.status == FOUND) & (first.shape < 50.0)
    shape = np.where(usable, first.shape, 1.5)
    offset = np.where(usable, shape * (first.log_eta - sums.centre), 0.0)
    active = first.status != NO_FAILURES
    shape, offset, value, converged = _climb(sums, shape, offset, active)
    status = np.where(active, np.where(converged, FOUND, NOT_CONVERGED), NO_FAILURES)
    edge = active & ((shape <= SHAPE_LOW) | (shape >= 1e4) | _is_flat(sums.slopes(shape, offset), shape))
    return Solution(shape, sums.centre + offset / shape, value, np.where(edge, NO_MAXIMUM, status))


def _is_flat(slopes: tuple[FloatArray, ...], shape: FloatArray) -> BoolArray:
    """Return where the likelihood hardly bends at its end point: it creeps up for ever and has no maximum.

    One failure bends it by about 1 in (log β, a).
    """
    _, _, bb, ba, aa = slopes
    a, b, c = -bb * shape**2, -ba * shape, -aa
    return np.asarray(0.5 * (a + c) - np.sqrt(0.25 * (a - c) ** 2 + b**2) < 1e-4, dtype=np.bool_)


def _at_middle(rows: Rows) -> Rows:
    """Return the rows with each failure between two ages put in the middle, to start from."""
    middle = np.where(rows.between, 0.5 * (np.maximum(rows.lower, rows.entry) + rows.upper), rows.exit)
    none = np.full(len(middle), np.nan)
    return Rows(rows.start, rows.entry, middle, rows.failed, none, none, rows.weight)


def _climb(
    sums: JointSums, shape: FloatArray, offset: FloatArray, active: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """Return β, a, log-likelihood and whether the maximum was reached, by Newton with a ridge."""
    ridge = np.zeros(len(shape))
    value = sums.value(shape, offset)
    done = ~active
    for _ in range(ROUNDS):
        to_shape, to_offset, gain = _ridge_step(sums.slopes(shape, offset), shape, ridge)
        new_shape = np.clip(shape + to_shape, np.maximum(shape / 3, SHAPE_LOW), np.minimum(shape * 3, 1e4))
        new_offset = offset + np.clip(to_offset, -3.0, 3.0)
        new_value = sums.value(new_shape, new_offset)
        better = (new_value >= value - 1e-12 * np.abs(value)) & active
        small = (np.abs(to_shape) <= TOLERANCE * shape) & (np.abs(to_offset) <= TOLERANCE * (1.0 + np.abs(offset)))
        done = done | (better & small & (ridge < 1e-3)) | (better & (gain < 1e-22 * (1.0 + np.abs(value))))
        shape, offset = np.where(better, new_shape, shape), np.where(better, new_offset, offset)
        value = np.where(better, new_value, value)
        ridge = np.where(better, np.where(ridge < 1e-3, 0.0, ridge / 10), np.maximum(10 * ridge, 1e-2))
        if done.all():
            break
    return shape, offset, value, done & active


def _ridge_step(
    slopes: tuple[FloatArray, ...], shape: FloatArray, ridge: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the step in β and a and the gain it promises; the ridge turns it uphill where there is no dome."""
    by_shape, by_offset, bb, ba, aa = slopes
    a, b, c = -bb * shape**2, -ba * shape, -aa  # curvature in (log β, a), whose units are alike
    least = 0.5 * (a + c) - np.sqrt(0.25 * (a - c) ** 2 + b**2)
    size = np.abs(a) + np.abs(c) + 1e-300
    added = ridge * size + np.where(least <= 1e-10 * size, 1e-3 * size - np.minimum(least, 0.0), 0.0)
    a, c = a + added, c + added
    determinant = a * c - b**2
    g_a, g_c = by_shape * shape, by_offset
    step_a, step_c = (c * g_a - b * g_c) / determinant, (a * g_c - b * g_a) / determinant
    return step_a * shape, step_c, step_a * g_a + step_c * g_c

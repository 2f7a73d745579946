"""Life curves when trucks differ: a Weibull hazard times a truck's own gamma factor (mean 1, variance φ).

One truck gives many lives, all worn by its own driver, route and care. Taken as independent they make every interval
too narrow. With the factor integrated out, a truck with D failures and hazard H, summed over what was watched,
contributes Σ_{j<D} ln(1 + φj) − (1/φ + D)·ln(1 + φH) + Σ ln h of its failures.
Source: Nielsen, Gill, Andersen & Sørensen (1992), Scand. J. Stat. 19.

Late entry enters through H alone. A term for having survived to entry would be right if a truck whose part failed
earlier were never seen. In a fleet it is seen, with a new part: the age of a part at the start of the record says that
it survived so long and also that its forerunner was renewed, and the two nearly cancel. Measured on simulated fleets
renewed before the record (tests/studies/renewed.md).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from wearlab.curves.observations import BoolArray, FloatArray, IntArray, Observations
from wearlab.curves.weibull import Weibull

NODES = np.linspace(-6.3, 6.3, 19)  # of the truck factor, in about normal coordinates (Wilson & Hilferty 1931)
STEP = 1e-3  # of the difference quotients, in standard errors
FARTHEST = 30.0
Values = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, slots=True)
class TruckFit:
    """A truck of mean wear has ``curve``; ``variance`` is the spread φ of the trucks' hazards about it."""

    curve: Weibull
    variance: float
    log_likelihood: float
    likelihood: "TruckLikelihood"

    def failed_share(self, age: FloatArray) -> FloatArray:
        """Return the share failed by an age, averaged over trucks: 1 − (1 + φH)^(−1/φ)."""
        hazard = self.curve.cumulative_hazard(age)
        return -np.expm1(-_averaged(hazard, self.variance))

    def life_at(self, share: float) -> float:
        """Return the age by which a share has failed, averaged over trucks."""
        return float(self.curve.eta * _hazard_at(share, self.variance) ** (1.0 / self.curve.shape))


def _averaged(hazard: FloatArray, variance: float) -> FloatArray:
    return np.asarray(np.log1p(variance * hazard) / variance if variance > 1e-9 else hazard, dtype=np.float64)


def _hazard_at(share: float, variance: float | FloatArray) -> FloatArray:
    """Return the hazard of a truck of mean wear at the age by which a share of all has failed."""
    full = -np.log1p(-share)
    phi = np.maximum(variance, 1e-9)
    return np.asarray(np.expm1(phi * full) / phi, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class TruckLikelihood:
    """The lives of one stratum sorted by truck, ready for the likelihood at many points (ln β, ln η, √φ) at once.

    A fourth coordinate γ, where given, multiplies the hazard of the lives marked in ``later`` by e^γ.
    """

    start: IntArray
    log_end: FloatArray  # −inf where an interval begins at age 0
    log_entry: FloatArray
    count: FloatArray
    failures_by_truck: FloatArray
    exact: tuple[float, float]  # number of exact failures, sum of their log ages
    between_row: IntArray
    between_start: IntArray
    between_truck: IntArray
    log_upper: FloatArray
    later: FloatArray  # 1 for the lives that a fourth coordinate bears on, else 0
    later_failures: float

    def values(self, points: FloatArray) -> FloatArray:
        """Return the log-likelihood at each row (ln β, ln η, √φ, perhaps γ) of ``points``."""
        log_shape, log_eta = points[:, :1], points[:, 1:2]
        shape, phi = np.exp(log_shape), np.maximum(points[:, 2:3] ** 2, 1e-10)
        extra = points[:, 3:].sum(axis=1, keepdims=True)
        factor = np.exp(np.clip(extra, -30, 30) * self.later)
        ends = factor * _hazard(self.log_end, shape, log_eta)
        entries = factor * _hazard(self.log_entry, shape, log_eta)
        watched = np.add.reduceat(self.count * (ends - entries), self.start, axis=1)
        per_truck = -(1.0 / phi + self.failures_by_truck) * np.log1p(phi * watched)
        number, sum_log = self.exact
        hazards = number * (log_shape - shape * log_eta) + (shape - 1.0) * sum_log
        hazards = hazards + extra * self.later_failures
        uppers = factor[:, self.between_row] * _hazard(self.log_upper, shape, log_eta)
        added = np.maximum(uppers - ends[:, self.between_row], 1e-300)
        total = per_truck.sum(axis=1) + hazards[:, 0] + self._rising(phi) + self._between(added, watched, phi)
        return np.asarray(np.where(np.isfinite(total), total, -1e300), dtype=np.float64)

    def _rising(self, phi: FloatArray) -> FloatArray:
        """Return Σ over trucks of Σ_{j<D} ln(1 + φj)."""
        most = int(self.failures_by_truck.max())
        order = np.arange(1, most)
        more = np.array([(self.failures_by_truck > number).sum() for number in order], dtype=np.float64)
        return np.asarray((more * np.log1p(phi * order)).sum(axis=1), dtype=np.float64)

    def _between(self, added: FloatArray, hazard: FloatArray, phi: FloatArray) -> FloatArray:
        """Return what failures known only between two ages add: Σ ln Δ + ln of the mean of Π (1 − e^(−zΔ))/(zΔ).

        z is the truck's factor given all else, gamma with shape 1/φ + D and rate 1/φ + H, on fixed nodes.
        """
        if not len(self.between_row):
            return np.zeros(len(phi))
        at = self.between_truck
        form = 1.0 / phi + self.failures_by_truck[at]
        rate = 1.0 / phi + hazard[:, at]
        root = np.maximum(1.0 - 1.0 / (9.0 * form[..., None]) + NODES / (3.0 * np.sqrt(form[..., None])), 1e-8)
        factor = form[..., None] / rate[..., None] * root**3
        density = (3.0 * form[..., None] - 1.0) * np.log(root) - form[..., None] * (root**3 - 1.0)
        truck_of = np.repeat(np.arange(len(at)), np.diff(np.append(self.between_start, len(self.between_row))))
        x = factor[:, truck_of, :] * added[..., None]
        shrink = np.log(np.where(x > 1e-8, -np.expm1(-x) / np.maximum(x, 1e-300), 1.0 - 0.5 * x))
        each = np.add.reduceat(shrink, self.between_start, axis=1)
        mean = np.log((np.exp(density + each)).sum(axis=2)) - np.log(np.exp(density).sum(axis=2))
        return np.asarray(np.log(added).sum(axis=1) + mean.sum(axis=1), dtype=np.float64)


def _hazard(log_age: FloatArray, shape: FloatArray, log_eta: FloatArray) -> FloatArray:
    return np.asarray(np.exp(np.minimum(shape * (log_age - log_eta), 200.0)), dtype=np.float64)


def truck_likelihood(obs: Observations, later: BoolArray | None = None) -> TruckLikelihood:
    """Return the likelihood of lives grouped by truck; a count on a row is so many lives of that truck."""
    marked = np.zeros(len(obs)) if later is None else later.astype(np.float64)
    order = np.argsort(obs.truck, kind="stable")
    sorted_ = obs.take(order)
    start = np.flatnonzero(np.diff(sorted_.truck, prepend=-1)).astype(np.int64)
    truck = np.repeat(np.arange(len(start)), np.diff(np.append(start, len(sorted_))))
    between = np.flatnonzero(sorted_.between)
    exact = sorted_.failed & ~sorted_.between
    with np.errstate(divide="ignore"):
        log_end = np.log(np.where(sorted_.between, sorted_.lower, sorted_.exit))
        log_entry = np.log(sorted_.entry)
    log_exit = np.log(sorted_.exit)
    first = np.flatnonzero(np.diff(truck[between], prepend=-1)).astype(np.int64)
    return TruckLikelihood(
        start,
        log_end,
        log_entry,
        sorted_.count,
        np.bincount(truck, sorted_.count * sorted_.failed, len(start)).astype(np.float64),
        (float(sorted_.count[exact].sum()), float((sorted_.count * log_exit)[exact].sum())),
        between,
        first,
        truck[between][first],
        log_exit[between],
        marked[order],
        float((marked * obs.count * exact_failed(obs)).sum()),
    )


def exact_failed(obs: Observations) -> BoolArray:
    """Return which lives failed at a known age."""
    return np.asarray(obs.failed & ~obs.between, dtype=np.bool_)


def fit_trucks(obs: Observations, plain: Weibull) -> TruckFit | None:
    """Return the curve with a truck factor, started from the plain one; None where no maximum is reached."""
    likelihood = truck_likelihood(obs)
    scales = truck_scales(obs, plain)
    best: tuple[float, FloatArray] | None = None
    for spread in (0.6, 0.05):
        point, value, reached = climb(
            likelihood.values, np.array([np.log(plain.shape), np.log(plain.eta), spread]), scales
        )
        if reached and (best is None or value > best[0] + 1e-9):
            best = (value, point)
    if best is None:
        return None
    log_shape, log_eta, root = best[1]
    curve = Weibull(shape=float(np.exp(log_shape)), eta=float(np.exp(log_eta)))
    return TruckFit(curve, float(root**2), best[0], likelihood)


def truck_scales(obs: Observations, curve: Weibull) -> FloatArray:
    """Return about one standard error of ln β, ln η and √φ."""
    size = 1.0 / np.sqrt(max(obs.failures, 1))
    return np.array([size, size / curve.shape, 0.15])


def climb(values: Values, start: FloatArray, scales: FloatArray) -> tuple[FloatArray, float, bool]:
    """Return the maximum near ``start``, its value and whether it was reached, by Newton on difference quotients."""
    point, value = start, float(values(start[None, :])[0])
    ridge, size = 0.0, len(start)
    offsets = _stencil(size)
    for _ in range(60):
        around = values(point + STEP * offsets * scales)
        gradient, curvature = _derivatives(around, value, size)
        lowest = float(np.linalg.eigvalsh(-curvature)[0])
        lift = max(0.0, 1e-3 - lowest) + ridge
        step = np.linalg.solve(-curvature + lift * np.eye(size), gradient)
        step *= min(1.0, 4.0 / float(np.abs(step).max() + 1e-300))
        moved = point + step * scales
        new = float(values(moved[None, :])[0])
        if new >= value - 1e-10 * (1.0 + abs(value)):
            settled = float(np.abs(step).max()) < 1e-5
            point, value, ridge = moved, max(new, value), 0.0 if ridge < 1e-2 else ridge / 10
            if settled:
                return point, value, lowest > 0
        else:
            ridge = max(10.0 * ridge, 0.1 + abs(lowest))
            if ridge > 1e12:
                return point, value, False
    return point, value, False


def _stencil(size: int) -> FloatArray:
    unit = np.eye(size)
    pairs = [(i, j) for i in range(size) for j in range(i)]
    crossed = [sign * (unit[i] + unit[j]) for i, j in pairs for sign in (1, -1)]
    return np.array([*unit, *-unit, *crossed])


def _derivatives(around: FloatArray, value: float, size: int) -> tuple[FloatArray, FloatArray]:
    """Return gradient and second derivatives, per scale, from the values on the stencil."""
    ahead, behind = around[:size], around[size : 2 * size]
    gradient = (ahead - behind) / (2 * STEP)
    second = np.diag((ahead + behind - 2 * value) / STEP**2)
    pairs = [(i, j) for i in range(size) for j in range(i)]
    for number, (i, j) in enumerate(pairs):
        plus, minus = around[2 * size + 2 * number], around[2 * size + 2 * number + 1]
        both = (plus + minus - 2 * value) / STEP**2
        second[i, j] = second[j, i] = 0.5 * (both - second[i, i] - second[j, j])
    return gradient, second


@dataclass(frozen=True, slots=True)
class _Line:
    """A quantity held at x: the full point that it makes with the free parameters, and where both stand at the best."""

    point: Callable[[float, FloatArray], FloatArray]
    at: float
    free: FloatArray
    scales: FloatArray
    error: float


def limit_truck_shape(fit: TruckFit, obs: Observations, *, level: float) -> tuple[float | None, float | None]:
    """Return the likelihood-ratio interval of the shape of one truck's hazard."""
    return _ends(fit, _line_of_shape(fit, obs), level)


def limit_truck_life(
    fit: TruckFit, obs: Observations, share: float, *, level: float
) -> tuple[float | None, float | None]:
    """Return the likelihood-ratio interval of the age by which ``share`` has failed, averaged over trucks."""
    return _ends(fit, _line_of_life(fit, obs, share), level)


def hold_shape(fit: TruckFit, obs: Observations, shape: float) -> float:
    """Return the greatest log-likelihood with the shape of one truck's hazard held at a value."""
    line = _line_of_shape(fit, obs)
    return climb(_held(fit, line, float(np.log(shape))), line.free, line.scales)[1]


def hold_life(fit: TruckFit, obs: Observations, share: float, age: float) -> float:
    """Return the greatest log-likelihood with the age by which ``share`` has failed, over trucks, held at a value."""
    line = _line_of_life(fit, obs, share)
    return climb(_held(fit, line, float(np.log(age))), line.free, line.scales)[1]


def _line_of_shape(fit: TruckFit, obs: Observations) -> _Line:
    log_shape, log_eta, root, scales = _place(fit, obs)

    def point(x: float, free: FloatArray) -> FloatArray:
        return np.column_stack([np.full(len(free), x), free])

    return _Line(point, log_shape, np.array([log_eta, root]), scales[1:], float(scales[0]))


def _line_of_life(fit: TruckFit, obs: Observations, share: float) -> _Line:
    log_shape, _, root, scales = _place(fit, obs)

    def point(x: float, free: FloatArray) -> FloatArray:
        log_eta = x - np.log(_hazard_at(share, free[:, 1] ** 2)) / np.exp(free[:, 0])
        return np.column_stack([free[:, 0], log_eta, free[:, 1]])

    error = scales[1] * (1.0 + abs(np.log(-np.log1p(-share))) * 0.6)
    return _Line(point, np.log(fit.life_at(share)), np.array([log_shape, root]), scales[[0, 2]], float(error))


def _place(fit: TruckFit, obs: Observations) -> tuple[float, float, float, FloatArray]:
    return np.log(fit.curve.shape), np.log(fit.curve.eta), np.sqrt(fit.variance), truck_scales(obs, fit.curve)


def _ends(fit: TruckFit, line: _Line, level: float) -> tuple[float | None, float | None]:
    low, high = (_limit(fit, line, level, side) for side in (-1.0, 1.0))
    return (None if low is None else float(np.exp(low)), None if high is None else float(np.exp(high)))


def _limit(fit: TruckFit, line: _Line, level: float, side: float) -> float | None:
    """Return where the signed root of the likelihood ratio reaches its critical value, by secants within a bracket."""
    target = float(np.sqrt(chi2.ppf(level, 1)))
    near, far = (line.at, 0.0), None
    x, free = line.at + side * target * line.error, line.free
    for _ in range(40):
        free, value, _ = climb(_held(fit, line, x), free, line.scales)
        root = float(np.sqrt(max(2.0 * (fit.log_likelihood - value), 0.0)))
        if abs(root - target) < 1e-6:
            return x
        if root < target:
            near = (x, root)
        else:
            far = (x, root)
        if abs(near[0] - line.at) > FARTHEST:
            return None
        if far is None:
            grown = target / root if root > 0 else 3.0
            x = line.at + (x - line.at) * min(max(1.05 * grown, 1.1), 3.0)
        else:
            share = (target - near[1]) / (far[1] - near[1])
            x = near[0] + (far[0] - near[0]) * min(max(share, 0.02), 0.98)
    return None


def _held(fit: TruckFit, line: _Line, x: float) -> Values:
    """Return the log-likelihood of the free parameters with the quantity held at x."""

    def values(points: FloatArray) -> FloatArray:
        return fit.likelihood.values(line.point(x, points))

    return values

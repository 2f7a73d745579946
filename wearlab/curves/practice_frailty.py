"""The likelihood of stretches of life with a truck frailty: value, gradient, maximum, covariance.

Model, for truck i and stretch r: h(t | z_i) = z_i · exp(x_r·b) · (β/s)(t/s)^(β−1), z_i gamma with mean 1 and variance
φ = 1/k, s the geometric mean of the failure ages. With D exact failures, H the hazard summed over the truck's
stretches and H₀ that of its late-entering lives before entry, the frailty integrates out to
Γ(k+D)/Γ(k) · (k+H₀)^k / (k+H₀+H)^(k+D) times the failures' own hazards (Klein & Moeschberger, *Survival Analysis*,
2nd ed., 2003, section 13.3; delayed entry: Jensen, Brookmeyer, Aaby & Andersen, Res. Rep. Biostatistics, Copenhagen,
2004). A failure known only to lie in (lower, upper] contributes exp(−z·A) − exp(−z·B); trucks that have one are
integrated over z numerically (trapezoid rule on ln z, which converges geometrically for such integrands).

A truck may come in steps, each a late entry of its own: then H₀ is all that its parts bore before the step, and its
failures before the step add to the power of z (``practice_known``).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from wearlab.curves.practice_known import Before

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SMALLEST_VARIANCE = 1e-4  # below this the spread between trucks is nil: the fit is made with none
LARGEST_VARIANCE = 20.0  # beyond this a few trucks have run away with the fit: no maximum
_NODES = 64
_NOWHERE = 1e12  # the loss where the parameters have run away


@dataclass(frozen=True, slots=True)
class Stretches:
    """Stretches of life laid out for the likelihood; ages are in units of ``scale``."""

    design: Floats  # (rows, terms)
    shape_of: Ints  # which shape parameter a row uses
    shapes: int
    truck: Ints  # or step of a truck
    trucks: int
    log_entry: Floats  # 0 where the entry is 0
    late: Bools  # entry above 0
    log_exit: Floats  # the exit; for a failure found at inspection the last age at which it was known good
    reached: Bools  # exit above 0
    failed: Bools  # exact failures
    design_before: Floats  # (items, terms): what was borne before entry, at these terms
    shape_before: Ints
    truck_before: Ints
    log_start_before: Floats  # 0 where from age 0
    later_before: Ints  # items not from age 0
    log_end_before: Floats
    found: Ints  # rows that end in a failure found at inspection
    log_upper: Floats  # its upper age, one per ``found``
    scale: float
    constant: float  # −Σ ln t over the exact failures
    renewed: Floats  # by truck: how much earlier failures and renewals say of its frailty (power of z)


@dataclass(frozen=True, slots=True)
class Maximum:
    """The maximum of the likelihood: ``coefficients``, ln of the shapes, frailty variance, and their covariance."""

    coefficients: Floats
    log_shapes: Floats
    variance: float  # of the frailty; 0 at the boundary
    covariance: Floats  # of (coefficients, ln shapes, ln variance); the last row and column are 0 at the boundary
    log_likelihood: float
    stretches: Stretches

    @property
    def parameters(self) -> Floats:
        """Return the vector that ``log_likelihood`` takes; ln variance is −inf at the boundary."""
        tail = np.log(self.variance) if self.variance > 0 else -np.inf
        return np.concatenate([self.coefficients, self.log_shapes, [tail]])


@dataclass(frozen=True, slots=True)
class Spans:
    """Ages and endings of stretches, those of one life following one another in order of age.

    ``lower`` and ``upper`` are NaN but where a failure was found at inspection.
    """

    life: Ints
    entry: Floats
    exit: Floats
    failed: Bools
    lower: Floats
    upper: Floats


def lay_out(
    *,
    design: Floats,
    shape_of: Ints,
    truck: Ints,
    spans: Spans,
    before: Before | None = None,
    design_before: Floats | None = None,
    renewed: Floats | None = None,
) -> Stretches:
    """Return rows ready for the likelihood; a lower limit before the stretch began is raised to its entry.

    ``before`` lists what was borne before entry, by default each late-entering life from age 0 to its entry;
    ``design_before`` gives its items terms other than those of the rows that stand for them.
    """
    life, entry, exit_age, failed = spans.life, spans.entry, spans.exit, spans.failed
    lower, upper = spans.lower, spans.upper
    found = failed & np.isfinite(lower) & np.isfinite(upper) & (np.maximum(lower, entry) < upper)
    exact = failed & ~found
    ages = np.where(found, upper, exit_age)
    scale = float(np.exp(np.mean(np.log(ages[failed])))) if failed.any() else float(np.mean(exit_age))
    good_until = np.where(found, np.maximum(np.nan_to_num(lower), entry), exit_age)
    starts = np.ones(len(life), dtype=bool)
    starts[1:] = life[1:] != life[:-1]
    late = entry > 0
    if before is None:
        first = np.flatnonzero(starts & late)
        before = Before(first, truck[first], np.zeros(len(first)), entry[first])
    from_new = before.start <= 0
    return Stretches(
        design=np.ascontiguousarray(design, dtype=float),
        shape_of=shape_of,
        shapes=int(shape_of.max()) + 1,
        truck=truck,
        trucks=int(truck.max()) + 1,
        log_entry=np.log(np.where(late, entry, scale) / scale),
        late=late,
        log_exit=np.log(np.where(good_until > 0, good_until, scale) / scale),
        reached=good_until > 0,
        failed=exact,
        design_before=np.ascontiguousarray(design[before.row] if design_before is None else design_before, dtype=float),
        shape_before=shape_of[before.row],
        truck_before=before.step,
        log_start_before=np.log(np.where(from_new, scale, before.start) / scale),
        later_before=np.flatnonzero(~from_new),
        log_end_before=np.log(before.end / scale),
        found=np.flatnonzero(found),
        log_upper=np.log(upper[found] / scale),
        scale=scale,
        constant=-float(np.sum(np.log(exit_age[exact]))),
        renewed=np.zeros(int(truck.max()) + 1) if renewed is None else renewed,
    )


@dataclass(frozen=True, slots=True)
class _Hazards:
    """Row and truck sums of the hazard at one set of parameters."""

    predictor: Floats
    shape: Floats
    row: Floats  # hazard of each stretch
    row_slope: Floats  # its derivative by ln shape
    before: Floats  # hazard before entry, one per item
    before_slope: Floats
    width: Floats  # hazard of the interval, one per ``found``
    width_slope: Floats  # derivative of its logarithm by ln shape
    sum: Floats  # by truck
    sum_before: Floats
    failures: Floats  # exact ones by truck


def _sum_by(group: Ints, values: Floats, groups: int) -> Floats:
    return np.bincount(group, values, groups).astype(float)


def _hazards(data: Stretches, coefficients: Floats, log_shapes: Floats) -> _Hazards:
    predictor = data.design @ coefficients
    rate = np.exp(predictor)
    shape = np.exp(log_shapes)[data.shape_of]
    to_exit = np.where(data.reached, np.exp(shape * data.log_exit), 0.0)
    to_entry = np.where(data.late, np.exp(shape * data.log_entry), 0.0)
    row = rate * (to_exit - to_entry)
    found = data.found
    shape_before = np.exp(log_shapes)[data.shape_before]
    rate_before = np.exp(data.design_before @ coefficients)
    from_start = np.zeros(len(shape_before))
    later = data.later_before
    from_start[later] = np.exp(shape_before[later] * data.log_start_before[later])
    to_end = np.exp(shape_before * data.log_end_before)
    before = rate_before * (to_end - from_start)
    to_upper = np.exp(shape[found] * data.log_upper)
    grown = to_upper - to_exit[found]
    return _Hazards(
        predictor=predictor,
        shape=shape,
        row=row,
        row_slope=rate * shape * (to_exit * data.log_exit - to_entry * data.log_entry),
        before=before,
        before_slope=rate_before * shape_before * (to_end * data.log_end_before - from_start * data.log_start_before),
        width=rate[found] * grown,
        width_slope=shape[found] * (to_upper * data.log_upper - to_exit[found] * data.log_exit[found]) / grown,
        sum=_sum_by(data.truck, row, data.trucks),
        sum_before=_sum_by(data.truck_before, before, data.trucks),
        failures=_sum_by(data.truck, data.failed.astype(float), data.trucks),
    )


def _without_frailty(data: Stretches, at: _Hazards) -> tuple[float, Floats, Floats, Floats, float]:
    width = np.maximum(at.width, 1e-300)
    value = -at.row.sum() + np.log(-np.expm1(-width)).sum()
    pull = width / np.expm1(np.minimum(width, 500.0))
    return float(value), np.ones(data.trucks), np.zeros(data.trucks), pull, 0.0


def _with_frailty(data: Stretches, at: _Hazards, k: float) -> tuple[float, Floats, Floats, Floats, float]:
    """Return the value, E[z] by truck, the weight of H₀ by truck, the pull of each interval, d value / d k."""
    start, power = k + at.sum_before, k + data.renewed
    grown = np.log1p(at.sum / start)
    value = -(power + at.failures) * grown
    slope = -at.failures / start - grown + (power + at.failures) * at.sum / (start * (start + at.sum))
    for j in range(int(at.failures.max(initial=0))):
        more = at.failures > j
        value[more] += np.log((power[more] + j) / start[more])
        slope[more] += 1 / (power[more] + j)
    mean = (power + at.failures) / (start + at.sum)
    pull = np.zeros(len(data.found))
    if len(data.found):
        trucks, of_truck = np.unique(data.truck[data.found], return_inverse=True)
        value[trucks], mean[trucks], slope[trucks], pull = _integrate(at, k, data.renewed[trucks], trucks, of_truck)
    return float(value.sum()), mean, power / start - mean, pull, float(slope.sum())


def _integrate(
    at: _Hazards, k: float, renewed: Floats, trucks: Ints, of_truck: Ints
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return value, E[z], d value / d k by truck and E[zw/(exp(zw)−1)] by interval, for trucks that have intervals."""
    width = np.maximum(at.width, 1e-300)
    power = k + renewed + at.failures[trucks]
    rate = k + at.sum_before[trucks] + at.sum[trucks]
    freedom = power + np.bincount(of_truck, minlength=len(trucks))
    centre = np.log(freedom / (rate + np.bincount(of_truck, width, len(trucks)) / 2))
    left = -(8 / np.sqrt(freedom) + 32 / freedom)
    right = np.log1p(8 / np.sqrt(freedom) + 34 / freedom) + 0.3
    step = (right - left) / (_NODES - 1)
    log_z = centre[:, None] + left[:, None] + step[:, None] * np.arange(_NODES)
    z = np.exp(log_z)
    inside = z[of_truck] * width[:, None]
    by_truck = np.zeros((len(trucks), _NODES))
    np.add.at(by_truck, of_truck, np.log(-np.expm1(-inside)))
    logs = k * (log_z - z + 1) + (power - k)[:, None] * log_z - (rate - k)[:, None] * z + by_truck
    top = logs.max(axis=1, keepdims=True)
    weight = np.exp(logs - top)
    total = weight.sum(axis=1, keepdims=True)
    weight /= total
    start = k + at.sum_before[trucks]
    value = np.log(total[:, 0] * step) + top[:, 0] + (k + renewed) * np.log(start) - k
    value -= special.gammaln(k + renewed)
    mean = (weight * z).sum(axis=1)
    slope = np.log(start) + (k + renewed) / start - special.digamma(k + renewed) + (weight * (log_z - z)).sum(axis=1)
    pull = (weight[of_truck] * inside / np.expm1(np.minimum(inside, 500.0))).sum(axis=1)
    return value, mean, slope, pull


def log_likelihood(data: Stretches, parameters: Floats) -> tuple[float, Floats]:
    """Return the log-likelihood and its gradient at (coefficients, ln shapes, ln frailty variance; −inf = none)."""
    terms = data.design.shape[1]
    log_shapes = parameters[terms : terms + data.shapes]
    at = _hazards(data, parameters[:terms], log_shapes)
    if np.isneginf(parameters[-1]):
        value, mean, before, pull, slope = _without_frailty(data, at)
        k = 0.0
    else:
        k = float(np.exp(-parameters[-1]))
        value, mean, before, pull, slope = _with_frailty(data, at, k)
    failed = data.failed
    value += float((at.predictor + np.log(at.shape) + at.shape * data.log_exit)[failed].sum()) + data.constant
    weight = mean[data.truck]
    by_row = failed - weight * at.row
    by_shape = np.where(failed, 1 + at.shape * data.log_exit, 0.0) - weight * at.row_slope
    before_item = before[data.truck_before]
    by_row[data.found] += pull
    by_shape[data.found] += pull * at.width_slope
    gradient = np.concatenate(
        [
            data.design.T @ by_row + data.design_before.T @ (before_item * at.before),
            np.bincount(data.shape_of, by_shape, data.shapes)
            + np.bincount(data.shape_before, before_item * at.before_slope, data.shapes),
            [-k * slope],
        ],
    )
    return value, gradient


def find_top(data: Stretches, *, start: Floats | None = None, frailty: bool = True) -> Floats | None:
    """Return the parameters at the top of the likelihood as the search leaves them, or None where it runs away."""
    begin = (_start(data) if start is None else start).copy()
    if frailty:
        begin[-1] = np.log(0.2) if np.isneginf(begin[-1]) else begin[-1]
        best = _climb(data, begin)
        if best is not None and best[-1] > np.log(SMALLEST_VARIANCE):
            return best
    begin[-1] = -np.inf
    return _climb(data, begin)


def maximise(data: Stretches, *, start: Floats | None = None, frailty: bool = True) -> Maximum | None:
    """Return the maximum of the likelihood, or None where there is none inside (no curvature, or it runs away).

    ``frailty=False`` fits without a spread between trucks. The frailty variance may end at its boundary, 0.
    """
    top = find_top(data, start=start, frailty=frailty)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # a step that runs away is no maximum
        found = None if top is None else _finish(data, top)
    inside = found is not None and np.isfinite(found.log_likelihood) and found.variance <= LARGEST_VARIANCE
    return found if inside else None


def _start(data: Stretches) -> Floats:
    terms = data.design.shape[1]
    failures = max(float(data.failed.sum() + len(data.found)), 1.0)
    zero = np.zeros(terms)
    at = _hazards(data, zero, np.full(data.shapes, np.log(1.5)))
    exposure = at.row + 0.0
    exposure[data.found] += at.width
    level = np.log(failures / exposure.sum())
    fit = np.linalg.lstsq(data.design, np.full(len(data.design), level), rcond=None)[0]
    return np.concatenate([fit, np.full(data.shapes, np.log(1.5)), [np.log(0.2)]])


def _climb(data: Stretches, begin: Floats) -> Floats | None:
    """Return the parameters at the top, found by quasi-Newton steps in parameters scaled by rough information."""
    free = np.isfinite(begin)
    ended = data.failed.copy()
    ended[data.found] = True
    spread = (data.design[ended] ** 2).sum(axis=0) + 1e-3
    by_shape = 1.8 * np.bincount(data.shape_of[ended], minlength=data.shapes) + 1e-3
    scale = 1 / np.sqrt(np.concatenate([spread, by_shape, [max(data.trucks / 20, 1.0)]]))

    def loss(step: Floats) -> tuple[float, Floats]:
        here = begin.copy()
        here[free] += scale[free] * step
        if np.abs(here[free]).max() > 60 or (free[-1] and not -12 < here[-1] < 4):
            return _NOWHERE, np.zeros(int(free.sum()))
        value, gradient = log_likelihood(data, here)
        if not np.isfinite(value):
            return _NOWHERE, np.zeros(int(free.sum()))
        return -value, -gradient[free] * scale[free]

    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        steps, height = _descend(loss, np.zeros(int(free.sum())))
    if height >= _NOWHERE:
        return None
    top = begin.copy()
    top[free] += scale[free] * steps
    return top


def _descend(loss: Callable[[Floats], tuple[float, Floats]], at: Floats) -> tuple[Floats, float]:
    """Return the minimum of ``loss`` and its value by quasi-Newton steps (Broyden-Fletcher-Goldfarb-Shanno)."""
    inverse = np.eye(len(at))
    value, slope = loss(at)
    for _ in range(200):
        if np.abs(slope).max() < 1e-5:
            break
        step = -inverse @ slope
        step *= min(1.0, 3.0 / float(np.abs(step).max()))
        fall = float(step @ slope)
        if fall >= 0:
            inverse = np.eye(len(at))
            continue
        share = 1.0
        for _ in range(30):
            new_value, new_slope = loss(at + share * step)
            if new_value <= value + 1e-4 * share * fall:
                break
            share /= 2
        else:
            break
        moved, turned = share * step, new_slope - slope
        bend = float(moved @ turned)
        if bend > 1e-12:
            pull = inverse @ turned
            inverse += np.outer(moved, moved) * (1 + float(turned @ pull) / bend) / bend
            inverse -= (np.outer(pull, moved) + np.outer(moved, pull)) / bend
        at, value, slope = at + moved, new_value, new_slope
    return at, value


def _curvature(data: Stretches, at: Floats, free: Bools) -> Floats:
    """Return the observed information of the free parameters, by central differences of the exact gradient."""
    which = np.flatnonzero(free)
    rows = []
    for j in which:
        step = 1e-4
        up, down = at.copy(), at.copy()
        up[j] += step
        down[j] -= step
        rows.append((log_likelihood(data, down)[1] - log_likelihood(data, up)[1])[which] / (2 * step))
    information = np.array(rows)
    return (information + information.T) / 2


def _finish(data: Stretches, top: Floats) -> Maximum | None:
    """Polish by Newton steps and attach the covariance; None where the likelihood has no proper maximum there."""
    free = np.isfinite(top)
    covariance = np.zeros((len(top), len(top)))
    for _ in range(3):
        information = _curvature(data, top, free)
        if not np.isfinite(information).all() or np.linalg.eigvalsh(information)[0] <= 1e-8:
            return None
        top, first_step = _polish(data, top, free, information)
        if first_step < 0.02:
            break
    covariance[np.ix_(free, free)] = np.linalg.inv(information)
    terms = data.design.shape[1]
    return Maximum(
        coefficients=top[:terms],
        log_shapes=top[terms:-1],
        variance=float(np.exp(top[-1])) if free[-1] else 0.0,
        covariance=covariance,
        log_likelihood=log_likelihood(data, top)[0],
        stretches=data,
    )


def _polish(data: Stretches, top: Floats, free: Bools, information: Floats) -> tuple[Floats, float]:
    """Return the top after Newton steps with one information matrix, and how long the first was in standard errors."""
    scale, first = np.sqrt(np.diag(information)), 0.0
    for number in range(6):
        step = np.linalg.solve(information, log_likelihood(data, top)[1][free])
        length = float(np.abs(step * scale).max())
        first = first if number else length
        top = top.copy()
        top[free] += step * min(1.0, 1.0 / length) if length > 0 else 0.0
        if length < 1e-8:
            break
    return top, first

"""Expected failures of a truck, a level or a window: class curves by maximum likelihood, with and without one truck.

A stretch of exposure from age a to age x under a Weibull class curve brings H = (x^k - a^k) / eta^k expected failures.
Given the shape k the rest is closed form, D failures in the class: eta^k = S(k) / D with S(k) the sum of x^k - a^k
(Cohen 1965, Technometrics 7:579-588; delayed entry subtracts a^k). So a truck needs only its own S at a few values of
k: leaving it out is a subtraction, and ln S(k) between those values is a polynomial of Chebyshev type.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray
from scipy.special import stdtrit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_NODES = 18
_FEW = 20.0  # failures below which the shape of a class leans on its component's
_EMPTY = -600.0  # ln of a sum that is no exposure at all
_HALF = 0.5  # failures put in place of none, so that a class without failures still expects something
_PULL = 2.0  # weight of that: 1 / variance of ln(shape), so that a factor of two is one standard deviation
_POINTS: Floats = np.cos(np.pi * (np.arange(_NODES, dtype=np.float64) + 0.5) / _NODES)
_TO_COEFFICIENTS = np.linalg.inv(chebyshev.chebvander(_POINTS, _NODES - 1)).astype(np.float64)


@dataclass(frozen=True, slots=True)
class Spans:
    """Stretches of exposure: ages at the start and the end, whose they are, and how many failures end them.

    One row per stretch; ``stratum`` and ``unit`` are codes from 0, ``life`` is the label of the life, ``weight`` the
    number of like lives in the row, ``relative`` a factor on the hazard that is known beforehand (1 = the class).
    """

    stratum: Ints
    unit: Ints
    life: Ints
    entry: Floats
    exit: Floats
    failed: Bools
    weight: Floats
    relative: Floats

    def take(self, rows: Bools | Ints) -> "Spans":
        """Return the chosen rows."""
        return Spans(
            self.stratum[rows],
            self.unit[rows],
            self.life[rows],
            self.entry[rows],
            self.exit[rows],
            self.failed[rows],
            self.weight[rows],
            self.relative[rows],
        )


@dataclass(frozen=True, slots=True)
class ClassCurve:
    """One class's curve and the sums from which any part of the class can be left out.

    ``log_shape`` is ln k and ``log_rate`` ln(1 / eta^k) for ages divided by exp(``log_scale``). ``sums`` is S(k) by
    unit and node (units x nodes) at ln k = ``log_shape`` + ``half`` * node; ``failures`` and ``log_ages`` (sum of ln
    age of the failures) by unit. ``pull`` is the weight with which ln k leans on ``lean``.
    """

    stratum: int
    rows: Ints
    log_scale: float
    log_shape: float
    log_rate: float
    half: float
    lean: float
    pull: float
    units: Ints
    unit_of_row: Ints
    sums: Floats
    failures: Floats
    log_ages: Floats


@dataclass(frozen=True, slots=True)
class Expected:
    """Expected failures by stretch, the truck's own failures left out of its class curve.

    ``hazard`` by row of the spans (NaN where a class holds no other truck); ``variance`` of ln hazard from the
    jackknife over trucks; ``others`` the failures of the other trucks behind each row.
    """

    hazard: Floats
    variance: Floats
    others: Floats


def add_up(place: Ints, values: Floats | Bools, size: int) -> Floats:
    """Return the sum of the values at each place 0 to size - 1."""
    out: Floats = np.bincount(place, values, size).astype(np.float64)
    return out


def fit_classes(spans: Spans) -> tuple[ClassCurve, ...]:
    """Return one curve per stratum, in the order of the codes; strata are taken to belong to one component.

    A stratum with fewer than 20 failures leans on the shape common to all strata (ln shape, weight 2); one without any
    takes that shape and the rate of half a failure.
    """
    parts = {int(code): _part(spans, int(code)) for code in np.unique(spans.stratum)}
    alive = [part for part in parts.values() if part.failures.sum() > 0]
    few = sum(float(part.failures.sum()) for part in alive) < _FEW
    common = _shape(alive, float(np.log(1.5)), _PULL if few else 0.0) if alive else 0.0
    return tuple(_curve(spans, code, part, common) for code, part in parts.items())


def shape_of(spans: Spans) -> float:
    """Return the maximum-likelihood shape of stretches that belong to one class; at least one has to be a failure."""
    part = _part(spans, int(spans.stratum[0]))
    return float(np.exp(_shape([part], float(np.log(1.5)), _PULL if part.failures.sum() < _FEW else 0.0)))


def leave_out(spans: Spans, curves: Sequence[ClassCurve]) -> Expected:
    """Return the expected failures of each stretch from its class's curve fitted without its truck."""
    hazard = np.full(len(spans.unit), np.nan)
    variance = np.full(len(spans.unit), np.nan)
    others = np.zeros(len(spans.unit))
    for curve in curves:
        if len(curve.units) < 2:
            continue
        rest = curve.sums.sum(axis=0) - curve.sums
        left = np.maximum(curve.failures.sum() - curve.failures, 0.0)
        shape, rate = _solve(curve, rest, left, curve.log_ages.sum() - curve.log_ages)
        rows, unit = curve.rows, curve.unit_of_row
        part, slope = _power(spans, curve, shape[unit])
        hazard[rows] = np.exp(rate[unit]) * part
        spread = _jackknife(shape, rate)
        variance[rows] = np.maximum(spread[1, 1] + 2.0 * slope * spread[0, 1] + slope**2 * spread[0, 0], 0.0)
        variance[rows] += np.where(left[unit] < 1.0, 2.0, 0.0)  # half a failure stands for none: variance 1 / 0.5
        others[rows] = left[unit]
    return Expected(hazard, variance, others)


def hazards(spans: Spans, curves: Sequence[ClassCurve]) -> Floats:
    """Return the expected failures of each stretch from its whole class's curve; 0 where the class has no failure."""
    out = np.zeros(len(spans.unit))
    for curve in curves:
        if curve.failures.sum() > 0:
            part, _ = _power(spans, curve, np.full(len(curve.rows), curve.log_shape))
            out[curve.rows] = np.exp(curve.log_rate) * part
    return out


def refit(curve: ClassCurve, failures: Floats, log_ages: Floats) -> tuple[Floats, Floats]:
    """Return ln shape and ln rate for other failures in the same exposure; arrays of one value per data set."""
    total = np.broadcast_to(curve.sums.sum(axis=0), (len(failures), _NODES))
    return _solve(curve, total, failures, log_ages)


def level_sums(spans: Spans, curve: ClassCurve, codes: Ints, levels: int) -> Floats:
    """Return the coefficients of ln S(k) of each level within one class (nodes x levels); -inf-like where empty."""
    sums = np.zeros((levels, _NODES))
    code = codes[curve.rows]
    known = code >= 0
    for node in range(_NODES):
        part, _ = _power(spans, curve, np.full(len(curve.rows), curve.log_shape + curve.half * _POINTS[node]))
        sums[:, node] = add_up(code[known], part[known], levels)
    return _coefficients(sums)


def level_hazards(curve: ClassCurve, coefficients: Floats, log_shape: Floats, log_rate: Floats) -> Floats:
    """Return the expected failures of each level (data sets x levels) under other shapes and rates of its class."""
    place = chebyshev.chebvander((log_shape - curve.log_shape) / curve.half, _NODES - 1)
    out = np.zeros((len(log_shape), coefficients.shape[1]))
    some = np.flatnonzero(coefficients[0] > _EMPTY)
    out[:, some] = np.exp(log_rate[:, None] + place @ coefficients[:, some])
    return out


@dataclass(frozen=True, slots=True)
class _Part:
    """The rows of one stratum, with ages divided by the greatest: ln age, ln entry of the late ones, and failures."""

    rows: Ints
    log_scale: float
    log_age: Floats
    late: Ints
    log_entry: Floats
    weight: Floats
    failures: Floats


def _part(spans: Spans, code: int) -> _Part:
    rows = np.flatnonzero(spans.stratum == code)
    log_age = np.log(spans.exit[rows])
    scale = float(log_age.max()) if len(rows) else 0.0
    late = np.flatnonzero(spans.entry[rows] > 0)
    return _Part(
        rows,
        scale,
        log_age - scale,
        late,
        np.log(spans.entry[rows][late]) - scale,
        spans.weight[rows] * spans.relative[rows],
        np.where(spans.failed[rows], spans.weight[rows], 0.0),
    )


def _moments(part: _Part, shape: float) -> tuple[float, float, float]:
    """Return S(k) and its first two derivatives in k."""
    whole = part.weight * np.exp(shape * part.log_age)
    early = part.weight[part.late] * np.exp(shape * part.log_entry)
    return (
        float(whole.sum() - early.sum()),
        float((whole * part.log_age).sum() - (early * part.log_entry).sum()),
        float((whole * part.log_age**2).sum() - (early * part.log_entry**2).sum()),
    )


def _shape(parts: Sequence[_Part], lean: float, pull: float) -> float:
    """Return ln k at the maximum of the likelihood of all parts together, each with a rate of its own."""
    at = float(np.log(1.5))
    for _ in range(80):
        k = float(np.exp(at))
        slope, bend = -pull * (at - lean), -pull
        for part in parts:
            total, log_ages = float(part.failures.sum()), float((part.failures * part.log_age).sum())
            s0, s1, s2 = _moments(part, k)
            slope += total + k * log_ages - total * k * s1 / s0
            bend += k * log_ages - total * (k * s1 / s0 + k * k * (s2 / s0 - (s1 / s0) ** 2))
        step = float(np.clip(-slope / bend if bend < 0 else np.sign(slope), -0.5, 0.5))
        at = float(np.clip(at + step, np.log(0.05), np.log(50.0)))
        if abs(step) < 1e-13:
            break
    return at


def _curve(spans: Spans, code: int, part: _Part, common: float) -> ClassCurve:
    total = float(part.failures.sum())
    pull = _PULL if total < _FEW else 0.0
    at = _shape([part], common, pull) if total > 0 else common
    half = float(np.clip(8.0 * 0.78 / np.sqrt(max(total, 1.0)), 0.25, 1.6))
    units, unit_of_row = np.unique(spans.unit[part.rows], return_inverse=True)
    sums = np.empty((len(units), _NODES))
    for node in range(_NODES):
        k = np.exp(at + half * _POINTS[node])
        power = part.weight * np.exp(k * part.log_age)
        power[part.late] -= part.weight[part.late] * np.exp(k * part.log_entry)
        sums[:, node] = add_up(unit_of_row, power, len(units))
    s0, _, _ = _moments(part, float(np.exp(at)))
    return ClassCurve(
        stratum=code,
        rows=part.rows,
        log_scale=part.log_scale,
        log_shape=at,
        log_rate=float(np.log(total if total > 0 else _HALF) - np.log(s0)),
        half=half,
        lean=common,
        pull=pull,
        units=units,
        unit_of_row=unit_of_row,
        sums=sums,
        failures=add_up(unit_of_row, part.failures, len(units)),
        log_ages=add_up(unit_of_row, part.failures * part.log_age, len(units)),
    )


def _coefficients(sums: Floats) -> Floats:
    """Return the Chebyshev coefficients of ln sums, nodes x columns; a column without exposure is about -700."""
    out: Floats = _TO_COEFFICIENTS @ np.log(np.maximum(sums, 1e-300)).T
    return out


def _solve(curve: ClassCurve, sums: Floats, failures: Floats, log_ages: Floats) -> tuple[Floats, Floats]:
    """Return ln shape and ln rate for many data sets at once, each with its own sums, failures and sum of ln age."""
    first = _coefficients(sums)
    slope_of, bend_of = _derivative(first, 1), _derivative(first, 2)
    at: Floats = np.full(len(failures), curve.log_shape)
    pull = np.where(failures > 0, curve.pull, 1.0)
    for _ in range(60):
        place: Floats = (at - curve.log_shape) / curve.half
        k: Floats = np.exp(at)
        slope = failures + k * log_ages - failures * _value(slope_of, place) / curve.half - pull * (at - curve.lean)
        bend = k * log_ages - failures * _value(bend_of, place) / curve.half**2 - pull
        step = np.where(bend < 0, -slope / np.where(bend < 0, bend, -1.0), 0.3 * np.sign(slope))
        step = np.clip(step, -0.3, 0.3)
        new: Floats = np.clip(at + step, curve.log_shape - curve.half, curve.log_shape + curve.half).astype(np.float64)
        done = bool(np.max(np.abs(new - at), initial=0.0) < 1e-12)
        at = new
        if done:
            break
    level = _value(first, (at - curve.log_shape) / curve.half)
    return at, np.log(np.where(failures > 0, failures, _HALF)) - level


def _derivative(coefficients: Floats, times: int) -> Floats:
    out: Floats = np.asarray(chebyshev.chebder(coefficients, times), dtype=np.float64)
    return out


def _value(coefficients: Floats, place: Floats) -> Floats:
    """Return the polynomial of each column at its own place."""
    out: Floats = np.asarray(chebyshev.chebval(place, coefficients, tensor=False), dtype=np.float64)
    return out


def _power(spans: Spans, curve: ClassCurve, log_shape: Floats) -> tuple[Floats, Floats]:
    """Return w (x^k - a^k) by row of the class, ages scaled, and the slope of its logarithm in ln k."""
    rows = curve.rows
    k: Floats = np.exp(log_shape)
    u = np.log(spans.exit[rows]) - curve.log_scale
    entry = spans.entry[rows]
    v = np.log(np.where(entry > 0, entry, 1.0)) - curve.log_scale
    whole = np.exp(k * u)
    early = np.where(entry > 0, np.exp(k * v), 0.0)
    part = whole - early
    slope = k * (u * whole - v * early) / np.maximum(part, 1e-300)
    return part * spans.weight[rows] * spans.relative[rows], slope


def _jackknife(shape: Floats, rate: Floats) -> Floats:
    """Return the covariance of (ln k, ln rate) from the fits that leave one truck out (Efron & Stein 1981)."""
    both = np.stack([shape - shape.mean(), rate - rate.mean()])
    out: Floats = np.asarray((both @ both.T) * ((len(shape) - 1) / len(shape)), dtype=np.float64)
    return out


def leave_out_level(observed: Floats, hazard: Floats) -> Floats:
    """Return the expected failures of each level from the other lives of its classes (levels).

    ``observed`` and ``hazard`` are classes x (levels + 1), the last column the whole class; the shape stays the whole
    class's, the rate is that of the lives outside the level. NaN where the level is all there is.
    """
    whole_observed, whole = observed[:, -1:], hazard[:, -1:]
    outside = whole - hazard[:, :-1]
    share = np.divide(
        hazard[:, :-1], outside, out=np.full_like(outside, np.nan), where=outside > 1e-9 * np.maximum(whole, 1e-300)
    )
    parts = np.where(hazard[:, :-1] > 0, (whole_observed - observed[:, :-1]) * share, 0.0)
    out: Floats = parts.sum(axis=0)
    return out


def shape_interval(curve: ClassCurve, level: float) -> tuple[float, float, float]:
    """Return the shape of one class with its interval from the jackknife over trucks (Student's t on ln shape).

    NaN limits with fewer than three trucks that have failures.
    """
    shape = float(np.exp(curve.log_shape))
    if (curve.failures > 0).sum() < 3:
        return shape, float("nan"), float("nan")
    rest = curve.sums.sum(axis=0) - curve.sums
    left = curve.failures.sum() - curve.failures
    without, rate = _solve(curve, rest, left, curve.log_ages.sum() - curve.log_ages)
    error = float(np.sqrt(_jackknife(without, rate)[0, 0]))
    reach = float(stdtrit(len(curve.units) - 1, (1.0 + level) / 2.0)) * error
    return shape, shape * float(np.exp(-reach)), shape * float(np.exp(reach))

"""Failures over a horizon when each failed part is replaced by a new one, and what they cost per mile."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

Floats = npt.NDArray[np.float64]

_LONGEST = 8.0  # the renewal equation is solved up to this many characteristic lives, then continued in a line
_FRAILTY_NODES = 24


def mean_life(shape: Floats | float, eta: Floats | float) -> Floats:
    """Return the mean of a Weibull life, η·Γ(1 + 1/β)."""
    return np.asarray(eta * special.gamma(1 + 1 / np.asarray(shape, dtype=float)), dtype=float)


@dataclass(frozen=True, slots=True)
class RenewalTable:
    """Expected renewals M(s) of Weibull lives with η = 1, one row per shape, on even steps of s from 0."""

    shapes: Floats
    step: float
    values: Floats  # (shapes, steps + 1)

    def at(self, row: int, s: Floats) -> Floats:
        """Return M(s) for one row; beyond the table it goes on at the long-run rate 1/mean life."""
        axis = self.step * np.arange(self.values.shape[1])
        shape = float(self.shapes[row])
        beyond = np.maximum(s - axis[-1], 0) / float(mean_life(shape, 1.0))
        inside = np.interp(s, axis, self.values[row] ** (1 / shape)) ** shape  # M ~ s^β near 0: straight in M^(1/β)
        return np.asarray(inside + beyond, dtype=float)


def solve_renewal(shapes: Floats, *, longest: float = _LONGEST, steps: int = 800) -> RenewalTable:
    """Return M(s) = F(s) + ∫ M(s − u) dF(u) for each shape.

    Stieltjes sums with midpoints (Xie, *Reliability Engineering & System Safety* 26, 1989), once at the step and once
    at half of it, extrapolated (the error falls with the square of the step for shapes of 1 and more).
    """
    coarse = _stieltjes(shapes, longest, steps)
    fine = _stieltjes(shapes, longest, 2 * steps)[:, ::2]
    better = np.where(shapes[:, None] >= 1, fine + (fine - coarse) / 3, fine)
    return RenewalTable(shapes=shapes, step=longest / steps, values=np.maximum.accumulate(better, axis=1))


def _stieltjes(shapes: Floats, longest: float, steps: int) -> Floats:
    half = longest / steps / 2
    failed = -np.expm1(-((half * np.arange(2 * steps + 1)) ** shapes[:, None]))  # F at every half step
    at_step, at_middle = failed[:, ::2], failed[:, 1::2]
    first = at_middle[:, 0]
    grown = np.zeros((len(shapes), steps))  # M(j) − M(j−1) for j = 1, 2, …
    value = np.zeros((len(shapes), steps + 1))
    for i in range(1, steps + 1):
        # F(t_i − t_{j−½}) for j = 1 … i−1 is the middle value i−j steps in
        past = (at_middle[:, i - 1 : 0 : -1] * grown[:, : i - 1]).sum(axis=1) if i > 1 else 0.0
        value[:, i] = (at_step[:, i] + past - first * value[:, i - 1]) / (1 - first)
        grown[:, i - 1] = value[:, i] - value[:, i - 1]
    return value


def expected_failures(
    shape: float, eta: float, horizon: Floats | float, *, age: float = 0.0, frailty_variance: float = 0.0
) -> Floats:
    """Return the expected failures of one position over ``horizon``, each failed part replaced by a new one.

    ``age`` is that of the part in place now. With a frailty variance φ the truck's hazard carries a gamma factor z of
    mean 1 and the result is averaged over z as it stands for a truck picked at random (its record is not used).
    Refused: nothing; shape, eta and horizon must be above 0.
    """
    span = np.atleast_1d(np.asarray(horizon, dtype=float))
    table = solve_renewal(np.array([shape]))
    weights, levels = frailty_nodes(np.array([frailty_variance]))
    total = np.zeros_like(span)
    for weight, z in zip(weights, levels[0], strict=True):
        scale = eta * z ** (-1 / shape)
        total += weight * _delayed(table, shape, span / scale, age / scale)
    return total.reshape(np.shape(horizon))


def _delayed(table: RenewalTable, shape: float, span: Floats, age: float) -> Floats:
    if age == 0:
        return table.at(0, span)
    u, w = np.polynomial.legendre.leggauss(64)
    moment = span[..., None] * (u + 1) / 2
    hazard = shape * (age + moment) ** (shape - 1)
    density = hazard * np.exp(age**shape - (age + moment) ** shape)
    later = (density * table.at(0, span[..., None] - moment) * w).sum(axis=-1) * span / 2
    return np.asarray(-np.expm1(age**shape - (age + span) ** shape) + later, dtype=float)


def frailty_nodes(variance: Floats) -> tuple[Floats, Floats]:
    """Return weights (nodes) and frailty values (variances, nodes) that average over a gamma of mean 1.

    A variance above 25 counts as 25: beyond it nearly every node is 0 to double precision.
    """
    points, weights = np.polynomial.legendre.leggauss(_FRAILTY_NODES)
    share = (points + 1) / 2
    k = 1 / np.clip(variance, 1e-8, 25.0)
    levels = special.gammaincinv(k[:, None], share) / k[:, None]
    levels = np.where(variance[:, None] > 0, levels, 1.0)
    return weights / 2, levels / (levels @ (weights / 2))[:, None]


def renewal_power(shape: float, spans: Floats) -> Floats:
    """Return by what power of the hazard a renewal is the likelier, ``spans`` characteristic lives after new.

    d ln m(t; z) / d ln z at z = 1, m the renewal density of lives with hazard z·(β/η)(t/η)^(β−1): 1 soon after new, 1/β
    in the long run.
    """
    table = solve_renewal(np.array([shape]), steps=160)
    axis = table.step * np.arange(table.values.shape[1])
    density = np.gradient(table.values[0], axis)
    bend = np.gradient(density, axis)
    power = (1 + axis * bend / np.maximum(density, 1e-12)) / shape
    inside = np.interp(spans, axis[2:-2], power[2:-2])
    return np.asarray(np.clip(np.where(spans < axis[2], 1.0, inside), 0.0, 2.0), dtype=float)


@dataclass(frozen=True, slots=True)
class Renewals:
    """Expected failures of new parts against horizon / η, averaged over frailty, one row per parameter set."""

    log_spans: Floats  # (points,)
    log_values: Floats  # (sets, points)

    def at(self, spans: Floats) -> Floats:
        """Return expected failures at ``spans`` (sets, points), by straight lines between logarithms."""
        logs = np.log(np.maximum(spans, 1e-12))
        result = np.empty_like(logs)
        for row in range(len(logs)):
            result[row] = np.interp(logs[row], self.log_spans, self.log_values[row])
        return np.exp(result)


def tabulate_renewals(shape: Floats, variance: Floats) -> Renewals:
    """Return expected failures of new parts for many parameter sets (shape, frailty variance) at once.

    Spans run from 0.001 to 60 characteristic lives in steps of 5 %.
    """
    own = interpolate_renewals(shape)
    weights, levels = frailty_nodes(variance)
    log_spans = np.linspace(np.log(1e-3), np.log(60.0), 220)
    result = np.empty((len(shape), len(log_spans)))
    for row in range(len(shape)):
        at = np.outer(levels[row] ** (1 / shape[row]), np.exp(log_spans))
        result[row] = weights @ own.at(row, at)
    return Renewals(log_spans, np.log(np.maximum(result, 1e-300)))


def interpolate_renewals(shape: Floats) -> RenewalTable:
    """Return M(s) for many shapes: between eight spread over those asked for, M^(1/β) is a polynomial in ln β."""
    low, high = float(np.log(shape.min())), float(np.log(shape.max()))
    middle, reach = (low + high) / 2, max((high - low) / 2, 1e-6)
    nodes = np.cos(np.pi * (np.arange(8) + 0.5) / 8)
    table = solve_renewal(np.exp(middle + reach * nodes), steps=400)
    place = (np.log(shape) - middle) / reach
    basis = np.polynomial.chebyshev.chebvander(nodes, 7)
    rooted = table.values ** (1 / table.shapes[:, None])  # near s at the start, whatever the shape
    straight = np.polynomial.chebyshev.chebvander(place, 7) @ np.linalg.solve(basis, rooted)
    return RenewalTable(shapes=shape, step=table.step, values=np.maximum(straight, 0) ** shape[:, None])


@dataclass(frozen=True, slots=True)
class AgeReplacement:
    """The best age for planned replacement; ``replace_at`` is None where running to failure is best."""

    replace_at: float | None
    cost_rate: float
    cost_rate_run_to_failure: float

    @property
    def ratio(self) -> float:
        """Return the cost rate as a share of that of running to failure."""
        return self.cost_rate / self.cost_rate_run_to_failure


def age_replacement_rate(shape: float, eta: float, planned: float, failure: float, age: Floats | float) -> Floats:
    """Return the long-run cost per mile of replacing at ``age`` or at failure: (c_p·R + c_f·F) / ∫₀ᵗ R."""
    power = (np.asarray(age, dtype=float) / eta) ** shape
    lived = mean_life(shape, eta) * special.gammainc(1 / shape, power)
    return np.asarray((planned * np.exp(-power) - failure * np.expm1(-power)) / lived, dtype=float)


def age_replacement(shape: float, eta: float, planned: float, failure: float) -> AgeReplacement:
    """Return the age that minimises the long-run cost per mile (Barlow & Proschan, 1965, chapter 4).

    The minimum solves h(T)·∫₀ᵀR − F(T) = c_p/(c_f − c_p). With shape ≤ 1 or failure ≤ planned there is none.
    """
    run = failure / float(mean_life(shape, eta))
    if shape <= 1 or failure <= planned:
        return AgeReplacement(None, run, run)
    target = planned / (failure - planned)
    mean = float(mean_life(shape, 1.0))

    def excess(log_age: float) -> float:
        power = np.exp(shape * log_age)
        hazard = shape * np.exp((shape - 1) * log_age)
        return float(hazard * mean * special.gammainc(1 / shape, power) + np.expm1(-power)) - target

    top = 1.0
    while excess(top) < 0:
        top += 1.0
        if top > 200:
            return AgeReplacement(None, run, run)
    age = eta * float(np.exp(optimize.brentq(excess, -60.0, top, xtol=1e-14, rtol=1e-14)))
    rate = float(age_replacement_rate(shape, eta, planned, failure, age))
    return AgeReplacement(age, rate, run) if rate < run * (1 - 1e-12) else AgeReplacement(None, run, run)


@dataclass(frozen=True, slots=True)
class RegreaseOptimum:
    """The interval of least long-run cost for one part whose mean life is a·τ^(−γ)."""

    interval: float
    cost_rate: float
    mean_life: float
    grease_share: float


def regrease_closed_form(stop: float, failure: float, life: float, gamma: float) -> RegreaseOptimum:
    """Return the minimum of c_stop/τ + c_fail/(a·τ^(−γ)): τ* = (c_stop·a/(c_fail·γ))^(1/(1+γ)), for γ above 0."""
    interval = (stop * life / (failure * gamma)) ** (1 / (1 + gamma))
    lasting = life * interval**-gamma
    rate = stop / interval + failure / lasting
    return RegreaseOptimum(interval, rate, lasting, stop / interval / rate)

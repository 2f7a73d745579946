"""How often the places of a stratum fail over the miles ahead: expected counts, chances, and whole distributions.

A place holds a part of a known age. The part fails by its curve, or is replaced before it fails (with its mate, as
planned, in a campaign) at a steady rate ν per unit of age; either way a new part of the same curve goes in. With F the
share failed first by a new part and G the share gone for either cause, the failures to count on are the renewal
equation M(x) = F(x) + ∫ M(x − s) dG(s) (Barlow & Proschan 1965, ch. 3), and the chance of at least one failure is the
same equation with G the removals that are no failure.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil
from typing import Self

import numpy as np
import numpy.typing as npt

from wearlab.answers.forecast.leaving import Leaving

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FEWEST_STEPS = 24
TABLE_STEPS = 240
TABLE_ROWS = 32
FRAILTY_NODES = 24
PLACES_AT_ONCE = 400
COUNTS_PER_TRUCK = 64
NEGLIGIBLE = 1e-19


@dataclass(frozen=True, slots=True)
class Law:
    """How a part ends: failure at hazard z·βλt^(β−1), other replacement at ``removal`` per unit of age."""

    shape: float
    rate: float
    removal: float


@dataclass(frozen=True, slots=True)
class Ahead:
    """Per place, truck frailty and month: failures to count on so far, and the chance of at least one so far."""

    expected: FloatArray
    chance: FloatArray


@dataclass(frozen=True, slots=True)
class Bound:
    """Where places stand and how far they go: age, span ahead, pressure on their hazard, and their trucks' leaving."""

    age: FloatArray
    span: FloatArray
    pressure: FloatArray
    leaving: Leaving

    def take(self, rows: slice) -> Self:
        """Return the named places only."""
        return type(self)(self.age[rows], self.span[rows], self.pressure[rows], self.leaving.take(rows))


def frailty_grid(shape: FloatArray, rate: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return frailties z, one row for all trucks, and each truck's weights on them under gamma(shape, rate)."""
    spread = 1.0 / np.sqrt(shape)
    middle = np.log(shape / rate)
    low = float((middle - 5.0 * spread - 4.0 * spread**2).min())
    z = np.exp(np.linspace(low, float((middle + 4.5 * spread).max()), FRAILTY_NODES))
    logs = shape[:, None] * np.log(z) - rate[:, None] * z
    weights = np.exp(logs - logs.max(axis=1, keepdims=True))
    return z, weights / weights.sum(axis=1, keepdims=True)


def look_ahead(law: Law, z: FloatArray, places: Bound, *, months: int) -> Ahead:
    """Return what to count on at each place over its span, spread evenly over ``months``, by truck frailty ``z``."""
    steps = months * ceil(FEWEST_STEPS / months)
    table = _table(law, z, places)
    blocks = [places.take(slice(i, i + PLACES_AT_ONCE)) for i in range(0, len(places.age), PLACES_AT_ONCE)]
    parts = [_look(law, z, block, table, steps) for block in blocks]
    ends = np.arange(1, months + 1) * (steps // months) - 1
    still = places.leaving.still((np.arange(steps) + 0.5) / steps)[:, None, :]

    def gather(name: str) -> FloatArray:
        whole = np.concatenate([getattr(part, name) for part in parts])
        return np.asarray(np.cumsum(np.diff(whole, axis=2, prepend=0.0) * still, axis=2)[:, :, ends])

    return Ahead(gather("expected"), gather("chance"))


@dataclass(frozen=True, slots=True)
class _Table:
    """Renewal functions of a new part on an even grid of ages, by hazard multiplier on an even grid of its log."""

    first: float
    step: float
    reach: float
    expected: FloatArray
    chance: FloatArray

    def at(self, kind: FloatArray, multiplier: FloatArray, age: FloatArray) -> FloatArray:
        """Return M by linear interpolation, ``multiplier`` (places × frailties), ``age`` (places × steps)."""
        row = np.clip((np.log(multiplier) - self.first) / self.step, 0.0, kind.shape[0] - 1.000001)[:, :, None]
        column = np.clip(age / self.reach * (kind.shape[1] - 1), 0.0, kind.shape[1] - 1.000001)[:, None, :]
        i, j = row.astype(np.int64), column.astype(np.int64)
        below = kind[i, j] * (1 - column + j) + kind[i, j + 1] * (column - j)
        above = kind[i + 1, j] * (1 - column + j) + kind[i + 1, j + 1] * (column - j)
        return np.asarray(below * (1 - row + i) + above * (row - i))


def _table(law: Law, z: FloatArray, places: Bound) -> _Table:
    reach = max(float(places.span.max(initial=0.0)), 1e-12)
    low = np.log(z.min() * places.pressure.min(initial=1.0))
    high = np.log(z.max() * places.pressure.max(initial=1.0)) + 1e-6
    logs = np.linspace(low, high, TABLE_ROWS)
    grid = np.linspace(0.0, reach, TABLE_STEPS + 1)
    failed, removed = _steps(law, np.exp(logs)[None, :], np.zeros(1), grid[None, :])
    first = np.concatenate([np.zeros((TABLE_ROWS, 1)), np.cumsum(failed[0], axis=1)], axis=1)
    both = solve_renewal(first, failed[0] + removed[0]), solve_renewal(first, removed[0])
    return _Table(float(low), float(logs[1] - logs[0]), reach, *both)


def _steps(law: Law, multiplier: FloatArray, age: FloatArray, ahead: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the shares failed and otherwise removed in each step of ``ahead`` (places × frailties × steps)."""
    hazard = law.rate * ((age[:, None] + ahead) ** law.shape - age[:, None] ** law.shape)
    stay = np.exp(-multiplier[:, :, None] * hazard[:, None, :])
    kept = np.exp(-law.removal * ahead)[:, None, :]
    failed = -np.diff(stay, axis=2) * np.sqrt(kept[:, :, 1:] * kept[:, :, :-1])
    gone = -np.diff(stay * kept, axis=2)
    return failed, np.maximum(gone - failed, 0.0) if law.removal > 0 else np.zeros_like(gone)


def solve_renewal(first: FloatArray, gone: FloatArray) -> FloatArray:
    """Return M on an even grid (frailties × grid), from F there and the shares gone in each step; second order."""
    out = np.zeros_like(first)
    for i in range(1, first.shape[1]):
        later = 0.5 * (out[:, : i - 1] + out[:, 1:i])[:, ::-1]
        known = first[:, i] + 0.5 * out[:, i - 1] * gone[:, 0] + (later * gone[:, 1:i]).sum(axis=1)
        out[:, i] = known / (1.0 - 0.5 * gone[:, 0])
    return out


def _look(law: Law, z: FloatArray, places: Bound, table: _Table, steps: int) -> Ahead:
    multiplier = z[None, :] * places.pressure[:, None]
    failed, removed = _steps(law, multiplier, places.age, places.span[:, None] * np.linspace(0.0, 1.0, steps + 1))
    left = places.span[:, None] * (np.arange(steps) + 0.5) / steps
    first = np.cumsum(failed, axis=2)
    expected = first + _convolve(failed + removed, table.at(table.expected, multiplier, left))
    chance = first + (_convolve(removed, table.at(table.chance, multiplier, left)) if law.removal > 0 else 0.0)
    return Ahead(expected, chance)


def _convolve(gone: FloatArray, again: FloatArray) -> FloatArray:
    """Return Σ over earlier steps i of gone[i]·again[j − i], for every step j."""
    out = np.zeros_like(gone)
    for i in range(gone.shape[2]):
        out[:, :, i:] += gone[:, :, i : i + 1] * again[:, :, : gone.shape[2] - i]
    return out


def truck_counts(ahead: Ahead, weights: FloatArray, truck: IntArray) -> FloatArray:
    """Return the distribution of each truck's failures by the end of the span (trucks × counts), over its frailty.

    Given the frailty the places of a truck are independent; a place that fails at all fails 1 + Poisson(μ) times, with
    μ such that its expected count is right. ``weights`` (trucks × frailties) and ``truck`` number the same trucks.
    """
    chance, expected = ahead.chance[:, :, -1], ahead.expected[:, :, -1]
    further = np.maximum(expected / np.maximum(chance, 1e-300) - 1.0, 0.0)
    turn = np.exp(2j * np.pi * np.arange(COUNTS_PER_TRUCK) / COUNTS_PER_TRUCK)
    logs = np.zeros((*weights.shape, COUNTS_PER_TRUCK), dtype=np.complex128)
    for place in range(len(truck)):
        again = turn * np.exp(further[place][:, None] * (turn - 1.0))
        logs[truck[place]] += np.log(1.0 + chance[place][:, None] * (again - 1.0))
    mixed = (weights[:, :, None] * np.exp(logs)).sum(axis=1)
    return np.asarray(np.clip(np.fft.fft(mixed, axis=1).real / COUNTS_PER_TRUCK, 0.0, None))


def add_counts(distributions: Iterable[FloatArray]) -> FloatArray:
    """Return the distribution of the sum of independent counts, each given as its probabilities from 0 up."""
    total = np.ones(1)
    for row in distributions:
        total = np.convolve(total, row[: int(np.flatnonzero(row > NEGLIGIBLE).max(initial=0)) + 1])
        total = total[: int(np.flatnonzero(total > NEGLIGIBLE).max(initial=0)) + 1]
    return total


def count_quantile(distribution: FloatArray, share: float) -> int:
    """Return the smallest count whose cumulative probability reaches ``share``."""
    reached = np.flatnonzero(np.cumsum(distribution) >= share - 1e-12)
    return int(reached[0]) if len(reached) else len(distribution) - 1


@dataclass(frozen=True, slots=True)
class Failures:
    """Simulated failures: which draw, which place, and how far into its full span (0 to 1) each fell."""

    draw: IntArray
    place: IntArray
    share: FloatArray


@dataclass(frozen=True, slots=True)
class Draws:
    """One row per draw: the curve, and by place z (frailty times pressure), the full span, and that until leaving."""

    shape: FloatArray
    rate: FloatArray
    z: FloatArray
    full: FloatArray
    span: FloatArray


def simulate(draws: Draws, age: FloatArray, *, removal: float, rng: np.random.Generator) -> Failures:
    """Return failures over the span for every draw and place; a part that ends is replaced by a new one."""
    shape = np.broadcast_to(draws.shape[:, None], draws.z.shape).ravel()
    rate = (draws.rate[:, None] * draws.z).ravel()
    span, full = draws.span.ravel(), draws.full.ravel()
    start = np.broadcast_to(age, draws.z.shape).ravel()
    rows, used = np.arange(len(span)), np.zeros(len(span))
    found: list[IntArray] = []
    when: list[FloatArray] = []
    while len(rows):
        power, beta = start ** shape[rows], shape[rows]
        failure = (power + rng.standard_exponential(len(rows)) / rate[rows]) ** (1.0 / beta) - start
        other = rng.standard_exponential(len(rows)) / removal if removal > 0 else np.full(len(rows), np.inf)
        used = used + np.minimum(failure, other)
        inside = used <= span[rows]
        fails = inside & (failure <= other)
        found.append(rows[fails])
        when.append(used[fails] / full[rows[fails]])
        rows, used = rows[inside], used[inside]
        start = np.zeros(len(rows))
    cells = np.concatenate(found)
    places = draws.z.shape[1]
    return Failures(cells // places, cells % places, np.concatenate(when))

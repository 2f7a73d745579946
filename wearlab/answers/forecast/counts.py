"""How often the places of a stratum fail over the miles ahead: expected counts, chances, and whole distributions.

A place holds a part of a known age. The part fails by its curve, or is replaced before it fails (as planned, with its
mate) at a hazard of its own; either way a new part of the same curve goes in. With F the share failed first by a new
part and G the share gone for either cause, the failures to count on are the renewal equation
M(x) = F(x) + ∫ M(x − s) dG(s) (Barlow & Proschan 1965, ch. 3), the other replacements the same with their own share
first in place of F, and the chance of at least one failure the same with G the removals that are no failure. A truck's
own way with such replacements counts for the part in place; for those after it its mean does, times the truck's own.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil
from typing import Self

import numpy as np
import numpy.typing as npt

from wearlab.answers.forecast.leaving import Leaving
from wearlab.answers.forecast.removal import Removals

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
    """How a part ends: failure at hazard z·βλt^(β−1), or replacement without failure, by place."""

    shape: float
    rate: float
    removal: Removals


@dataclass(frozen=True, slots=True)
class Ahead:
    """Per place, truck frailty and month: failures to count on so far, other replacements, chance of a failure."""

    expected: FloatArray
    others: FloatArray
    chance: FloatArray


@dataclass(frozen=True, slots=True)
class Bound:
    """Where places stand and how far they go: age, span ahead, pressure on their hazard, and their trucks' leaving.

    ``begin``: the share of the time ahead that is over when the place comes into being (0: it is there).
    """

    age: FloatArray
    span: FloatArray
    pressure: FloatArray
    leaving: Leaving
    begin: FloatArray

    def take(self, rows: slice) -> Self:
        """Return the named places only."""
        return type(self)(
            self.age[rows], self.span[rows], self.pressure[rows], self.leaving.take(rows), self.begin[rows]
        )


def frailty_grid(shape: FloatArray, rate: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return frailties z, one row for all trucks, and each truck's weights on them under gamma(shape, rate)."""
    spread = 1.0 / np.sqrt(shape)
    middle = np.log(shape / rate)
    low = float((middle - 5.0 * spread - 4.0 * spread**2).min())
    z = np.exp(np.linspace(low, float((middle + 4.5 * spread).max()), FRAILTY_NODES))
    logs = shape[:, None] * np.log(z) - rate[:, None] * z
    weights = np.exp(logs - logs.max(axis=1, keepdims=True))
    return z, weights / weights.sum(axis=1, keepdims=True)


def look_ahead(law: Law, z: FloatArray, places: Bound, *, calendar: FloatArray) -> Ahead:
    """Return what to count on at each place over its span, by truck frailty ``z``.

    ``calendar``: the share of the whole way that is behind after each month, from 0 to 1.
    """
    months = len(calendar) - 1
    steps = months * ceil(FEWEST_STEPS / months)
    table = _table(law, z, places)
    blocks = [slice(i, i + PLACES_AT_ONCE) for i in range(0, len(places.age), PLACES_AT_ONCE)]
    parts = [
        _look(Law(law.shape, law.rate, law.removal.take(rows)), z, places.take(rows), table, steps) for rows in blocks
    ]
    still = places.leaving.still((np.arange(steps) + 0.5) / steps)[:, None, :]
    ends = np.clip((calendar[None, 1:] - places.begin[:, None]) / (1.0 - places.begin[:, None]), 0.0, 1.0) * steps
    below = np.minimum(np.floor(ends + 1e-9), steps - 1).astype(np.int64)[:, None, :]
    over = ends[:, None, :] - below

    def gather(name: str) -> FloatArray:
        whole = np.concatenate([getattr(part, name) for part in parts])
        summed = np.cumsum(np.diff(whole, axis=2, prepend=0.0) * still, axis=2)
        summed = np.concatenate([np.zeros((*summed.shape[:2], 1)), summed], axis=2)
        low, high = np.take_along_axis(summed, below, axis=2), np.take_along_axis(summed, below + 1, axis=2)
        return np.asarray(low + over * (high - low))

    return Ahead(gather("expected"), gather("others"), gather("chance"))


@dataclass(frozen=True, slots=True)
class _Table:
    """Renewal functions of a new part on an even grid of ages, by hazard multiplier on an even grid of its log."""

    first: float
    step: float
    reach: float
    expected: FloatArray
    others: FloatArray
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
    fresh = Law(law.shape, law.rate, law.removal.fresh())
    failed, removed = (one[0] for one in _steps(fresh, np.exp(logs)[None, :], np.zeros(1), grid[None, :]))
    gone = failed + removed
    expected, others, chance = (
        solve_renewal(np.concatenate([np.zeros((TABLE_ROWS, 1)), np.cumsum(first, axis=1)], axis=1), then)
        for first, then in ((failed, gone), (removed, gone), (failed, removed))
    )
    return _Table(float(low), float(logs[1] - logs[0]), reach, expected, others, chance)


def _steps(law: Law, multiplier: FloatArray, age: FloatArray, ahead: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the shares failed and otherwise removed in each step of ``ahead`` (places × frailties × steps)."""
    hazard = law.rate * ((age[:, None] + ahead) ** law.shape - age[:, None] ** law.shape)
    stay = np.exp(-multiplier[:, :, None] * hazard[:, None, :])
    kept = law.removal.kept(age, ahead)[:, None, :]
    failed = -np.diff(stay, axis=2) * np.sqrt(kept[:, :, 1:] * kept[:, :, :-1])
    gone = -np.diff(stay * kept, axis=2)
    return failed, np.maximum(gone - failed, 0.0) if law.removal.rate > 0 else np.zeros_like(gone)


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
    first, gone = np.cumsum(failed, axis=2), failed + removed
    expected = first + _convolve(gone, table.at(table.expected, multiplier, left))
    if law.removal.rate <= 0:
        return Ahead(expected, np.zeros_like(expected), first)
    again = table.at(table.others, multiplier, left) * (law.removal.own / law.removal.seen)[:, None, None]
    others = np.cumsum(removed, axis=2) + _convolve(gone, again)
    return Ahead(expected, others, first + _convolve(removed, table.at(table.chance, multiplier, left)))


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
class Endings:
    """Simulated replacements: which draw, which place, how far into its full span (0 to 1), and whether it failed."""

    draw: IntArray
    place: IntArray
    share: FloatArray
    failed: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Draws:
    """One row per draw: the curve, and by place z (frailty times pressure), the full span, and that until leaving.

    ``removal`` is λ of replacement without failure by draw and place, ``removal_shape`` its β.
    """

    shape: FloatArray
    rate: FloatArray
    z: FloatArray
    full: FloatArray
    span: FloatArray
    removal: FloatArray
    removal_shape: float


def simulate(draws: Draws, age: FloatArray, *, rng: np.random.Generator) -> Endings:
    """Return replacements over the span for every draw and place; a part that ends is replaced by a new one."""
    shape = np.broadcast_to(draws.shape[:, None], draws.z.shape).ravel()
    rate = (draws.rate[:, None] * draws.z).ravel()
    span, full, removal = draws.span.ravel(), draws.full.ravel(), draws.removal.ravel()
    start = np.broadcast_to(age, draws.z.shape).ravel()
    rows, used = np.arange(len(span)), np.zeros(len(span))
    found: list[IntArray] = []
    when: list[FloatArray] = []
    kind: list[npt.NDArray[np.bool_]] = []
    while len(rows):
        failure = _wait(start, shape[rows], rate[rows], rng)
        other = _wait(start, draws.removal_shape, removal[rows], rng) if removal.any() else np.inf
        used = used + np.minimum(failure, other)
        inside = used <= span[rows]
        found.append(rows[inside])
        when.append(used[inside] / full[rows[inside]])
        kind.append((failure <= other)[inside])
        rows, used = rows[inside], used[inside]
        start = np.zeros(len(rows))
    cells = np.concatenate(found)
    places = draws.z.shape[1]
    return Endings(cells // places, cells % places, np.concatenate(when), np.concatenate(kind))


def _wait(start: FloatArray, shape: FloatArray | float, rate: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return how much further each part goes until an event of hazard βλt^(β−1); infinite where λ is 0."""
    with np.errstate(divide="ignore", over="ignore"):
        power = start**shape + rng.standard_exponential(len(start)) / rate
        return np.asarray(power ** (1.0 / shape) - start)

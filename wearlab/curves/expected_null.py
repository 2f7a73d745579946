"""Failures drawn again as chance would have made them: the null against which a cluster is judged.

Every fitting keeps its factors, its date and its window (the ages over which it was watched). In each draw every truck
gets a multiplier (gamma, mean 1, variance from the weights of the spread between trucks), failures fall into the
windows as a Poisson process with the class's hazard times that multiplier (a part that fails is followed by another in
the same window, so that the exposure stays what it was), and the class curves are fitted again to what was drawn.
Because the exposure stays, S(k) of a class and of each level is the same function in all draws, and a draw costs little
more than its random numbers. Conditioning on the exposure loses nothing: for a counting process with hazard z h(t) the
likelihood of the observed windows is that of Poisson counts, whatever rule stopped them (Aalen 1978, Ann. Statist.
6:701-726).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from wearlab.curves.expected import ClassCurve, Floats, Ints, Spans, add_up, hazards, level_hazards, level_sums, refit
from wearlab.curves.expected_counts import GRID

_BLOCK = 1_500_000  # trucks and failures drawn at once


@dataclass(frozen=True, slots=True)
class LevelCounts:
    """Observed and expected failures by level of one factor, and the same in every draw (draws x levels)."""

    observed: Floats
    expected: Floats
    drawn_observed: Floats
    drawn_expected: Floats


@dataclass(frozen=True, slots=True)
class _Window:
    """What a draw needs of each stretch, in the order of the spans; and the stretches by truck, hazards summed up."""

    hazard: Floats
    shape: Floats
    from_power: Floats
    to_power: Floats
    curve: Ints
    by_truck: Ints
    summed: Floats  # hazards added up in that order
    last: Ints  # of each truck with a stretch, in that order


def count_levels(
    spans: Spans,
    curves: Sequence[ClassCurve],
    codes: Sequence[Ints],
    spread_weights: Floats,
    *,
    draws: int,
    seed: Sequence[int],
    progress: Callable[[str], None],
) -> tuple[LevelCounts, ...]:
    """Return the counts of each factor's levels, observed and in ``draws`` redraws; one entry per array of ``codes``.

    ``codes`` gives the level of each stretch (-1 = none). All factors are counted on the same draws. ``seed`` is the
    entropy of the generator; the same seed gives the same draws.
    """
    rng = np.random.default_rng(list(seed))
    widths = [int(code.max(initial=-1)) + 1 for code in codes]
    tables = [
        [level_sums(spans, curve, code, width) for curve in curves] for code, width in zip(codes, widths, strict=True)
    ]
    window = _windows(spans, curves)
    failed = np.where(spans.failed, spans.weight, 0.0)
    block = max(1, min(draws, int(_BLOCK // (len(window.last) + window.summed[-1] + 1))))
    parts: list[list[tuple[Floats, Floats]]] = []
    for start in range(0, draws, block):
        if start * 4 // draws > (start - block) * 4 // draws:
            progress(f"redrawing failures: {start} of {draws}")
        size = min(block, draws - start)
        parts.append(_draw(curves, window, codes, tables, spread_weights, size, rng))
    out = []
    for place, (code, width) in enumerate(zip(codes, widths, strict=True)):
        known = code >= 0
        out.append(
            LevelCounts(
                add_up(code[known], failed[known], width),
                add_up(code[known], window.hazard[known], width),
                np.concatenate([part[place][0] for part in parts]),
                np.concatenate([part[place][1] for part in parts]),
            )
        )
    return tuple(out)


def _windows(spans: Spans, curves: Sequence[ClassCurve]) -> _Window:
    count = len(spans.unit)
    shape, start, end, which = np.ones(count), np.zeros(count), np.ones(count), np.zeros(count, dtype=np.int64)
    for place, curve in enumerate(curves):
        rows = curve.rows
        k = np.exp(curve.log_shape)
        entry = spans.entry[rows]
        shape[rows], which[rows] = k, place
        end[rows] = np.exp(k * (np.log(spans.exit[rows]) - curve.log_scale))
        start[rows] = np.where(entry > 0, np.exp(k * (np.log(np.where(entry > 0, entry, 1.0)) - curve.log_scale)), 0.0)
    hazard = hazards(spans, curves)
    by_truck = np.argsort(spans.unit, kind="stable").astype(np.int64)
    last = np.flatnonzero(np.diff(spans.unit[by_truck], append=-1)).astype(np.int64)
    return _Window(hazard, shape, start, end, which, by_truck, np.cumsum(hazard[by_truck]), last)


def _draw(
    curves: Sequence[ClassCurve],
    window: _Window,
    codes: Sequence[Ints],
    tables: Sequence[Sequence[Floats]],
    spread_weights: Floats,
    size: int,
    rng: np.random.Generator,
) -> list[tuple[Floats, Floats]]:
    draw, row = _events(window, spread_weights, size, rng)
    power = window.from_power[row] + rng.random(len(row)) * (window.to_power[row] - window.from_power[row])
    log_age = np.log(np.maximum(power, 1e-300)) / window.shape[row]
    key = draw * len(curves) + window.curve[row]
    failures = np.bincount(key, minlength=size * len(curves)).reshape(size, len(curves)).astype(np.float64)
    log_ages = add_up(key, log_age, size * len(curves)).reshape(size, len(curves))
    fits = [
        refit(curve, np.ascontiguousarray(failures[:, i]), np.ascontiguousarray(log_ages[:, i]))
        for i, curve in enumerate(curves)
    ]
    out = []
    for code, table in zip(codes, tables, strict=True):
        width = table[0].shape[1] if table else 0
        level = code[row]
        known = level >= 0
        observed = np.bincount(draw[known] * width + level[known], minlength=size * width).reshape(size, width)
        expected = np.zeros((size, width))
        for i, curve in enumerate(curves):
            some = failures[:, i] > 0
            expected[some] += level_hazards(curve, table[i], fits[i][0][some], fits[i][1][some])
        out.append((observed.astype(np.float64), expected))
    return out


def _events(window: _Window, spread_weights: Floats, size: int, rng: np.random.Generator) -> tuple[Ints, Ints]:
    """Return the draw and the stretch of every drawn failure.

    A truck's failures are drawn together, a Poisson number with the hazard of all its stretches, and each falls into
    one of them as its share of that hazard: the same as a Poisson number for every stretch, at a fraction of the cost.
    """
    ends = window.summed[window.last]
    begins = np.concatenate([[0.0], ends[:-1]])
    spread = rng.choice(GRID, size, p=spread_weights)[:, None]
    multiplier = rng.gamma(1.0 / spread, spread, (size, len(ends)))
    counts = rng.poisson(multiplier * (ends - begins))
    draw, truck = np.nonzero(counts)
    times = counts[draw, truck]
    draw, truck = np.repeat(draw, times), np.repeat(truck, times)
    at = begins[truck] + rng.random(len(truck)) * (ends - begins)[truck]
    place = np.minimum(np.searchsorted(window.summed, at, side="right"), window.last[truck])
    return draw, window.by_truck[place]

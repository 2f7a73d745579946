"""One component laid out for the search: its curves, the spread between its trucks, its factors, counts by level."""

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearlab.answers.cluster_factors import MONTH, WINDOW, Factor, code_factor
from wearlab.answers.cluster_search import Searched
from wearlab.curves.expected import ClassCurve, Floats, Ints, add_up, fit_classes, hazards, leave_out, leave_out_level
from wearlab.curves.expected_counts import Spread, estimate_spread, ratio_interval
from wearlab.curves.expected_null import LevelCounts, count_levels
from wearlab.curves.expected_spans import ComponentSpans

_RUNS = (2, 3, 4, 6, 9, 12, 18, 24)  # lengths of the windows of fitting dates, in months


@dataclass(frozen=True, slots=True)
class Studied:
    """One component with its curves, the expected failures of each stretch, the spread, and its factors."""

    part: ComponentSpans
    curves: tuple[ClassCurve, ...]
    hazard: Floats
    spread: Spread
    factors: tuple[Factor, ...]


def study_component(part: ComponentSpans, names: tuple[str, ...]) -> Studied:
    """Return the component's curves, expected failures, spread between trucks and coded factors."""
    spans = part.spans
    curves = fit_classes(spans)
    apart = leave_out(spans, curves)
    count = len(part.units)
    known = np.isfinite(apart.hazard)
    expected = add_up(spans.unit, np.where(known, apart.hazard, 0.0), count)
    observed = add_up(spans.unit, np.where(spans.failed & known, spans.weight, 0.0), count)
    coded = [code_factor(name, part.lives) for name in names]
    return Studied(
        part,
        curves,
        hazards(spans, curves),
        estimate_spread(observed, expected, np.zeros(count)),
        tuple(one for one in coded if one is not None),
    )


@dataclass(frozen=True, slots=True)
class Counted:
    """Counts by level of each factor on the same draws, and of windows of months where the month of fitting is known.

    ``windows`` is None without months; ``ends`` gives the first and last month (places in the month's levels).
    """

    levels: tuple[LevelCounts, ...]
    windows: LevelCounts | None
    ends: tuple[tuple[int, int], ...]

    def families(self) -> tuple[LevelCounts, ...]:
        """Return all that was looked at: the factors, then the windows."""
        return self.levels if self.windows is None else (*self.levels, self.windows)


def count_factors(
    one: Studied, factors: Sequence[Factor], draws: int, seed: Sequence[int], progress: Callable[[str], None]
) -> Counted:
    """Return the counts of each factor's levels and of all windows of months, observed and redrawn."""
    name = one.part.component or ""
    levels = count_levels(
        one.part.spans,
        one.curves,
        [factor.code[one.part.spans.life] for factor in factors],
        one.spread.weights,
        draws=draws,
        seed=(*seed, zlib.crc32(name.encode())),
        progress=lambda text: progress(f"{name or 'all lives'}: {text}"),
    )
    months = [place for place, factor in enumerate(factors) if factor.name == MONTH]
    if not months:
        return Counted(levels, None, ())
    windows, ends = _windows(levels[months[0]])
    return Counted(levels, windows, ends)


def _windows(months: LevelCounts) -> tuple[LevelCounts | None, tuple[tuple[int, int], ...]]:
    """Return the counts of every run of 2 to 24 months."""
    count = len(months.observed)
    ends = tuple((start, start + size - 1) for size in _RUNS for start in range(count - size + 1))
    if not ends:
        return None, ()
    first, last = np.array([end[0] for end in ends]), np.array([end[1] + 1 for end in ends])

    def runs(values: Floats) -> Floats:
        sums = np.concatenate([np.zeros((*values.shape[:-1], 1)), np.cumsum(values, axis=-1)], axis=-1)
        out: Floats = sums[..., last] - sums[..., first]
        return out

    return LevelCounts(
        runs(months.observed), runs(months.expected), runs(months.drawn_observed), runs(months.drawn_expected)
    ), ends


def window_factor(month: Factor, ends: tuple[int, int]) -> Factor:
    """Return a factor of one level: fitted in a run of months."""
    inside = (month.code >= ends[0]) & (month.code <= ends[1])
    name = f"{month.levels[ends[0]]} to {month.levels[ends[1]]}"
    return Factor(WINDOW, (name,), np.where(inside, 0, -1).astype(np.int64))


def tabulate_levels(one: Studied, factor: Factor, searched: Searched, level: float) -> pd.DataFrame:
    """Return one row per level: observed, expected, ratio with its interval, p-values, and what the rest expects."""
    spans, part = one.part.spans, one.part
    width = len(factor.levels)
    code = factor.code[spans.life]
    known = code >= 0
    failed = np.where(spans.failed, spans.weight, 0.0)
    observed = add_up(code[known], failed[known], width)
    expected = add_up(code[known], one.hazard[known], width)
    trucks = np.zeros((width, len(part.units)))
    np.add.at(trucks, (code[known], spans.unit[known]), one.hazard[known])
    inflation = 1.0 + one.spread.mean * (trucks**2).sum(axis=1) / np.maximum(expected, 1e-300)
    low, high = ratio_interval(observed, expected, inflation, level)
    rest = _from_rest(one, code, width, failed)
    mine = factor.code >= 0
    lives = np.bincount(factor.code[mine], minlength=width)
    broke = add_up(factor.code[mine], part.lives["failed"].to_numpy(np.float64)[mine], width)
    some = expected > 0
    return pd.DataFrame(
        {
            "component": part.component,
            "factor": factor.name,
            "level": factor.levels,
            "lives": lives,
            "observed": observed,
            "expected": expected,
            "ratio": np.where(some, observed / np.maximum(expected, 1e-300), np.nan),
            "ratio_low": np.where(some, low, np.nan),
            "ratio_high": np.where(some, high, np.nan),
            "p_value": searched.within,
            "p_adjusted": searched.adjusted,
            "p_alone": searched.alone,
            "score": searched.score,
            "beyond_expected": observed - expected,
            "not_failed": lives - broke.astype(np.int64),
            "expected_from_rest": rest,
            "ratio_to_rest": np.where(rest > 0, observed / np.maximum(rest, 1e-300), np.nan),
            "trucks": (trucks > 0).sum(axis=1),
        }
    )


def _from_rest(one: Studied, code: Ints, width: int, failed: Floats) -> Floats:
    """Return the expected failures of each level from the lives outside it."""
    spans = one.part.spans
    column = np.where(code >= 0, code, width)
    classes = int(spans.stratum.max()) + 1
    observed, hazard = np.zeros((classes, width + 1)), np.zeros((classes, width + 1))
    np.add.at(observed, (spans.stratum, column), failed)
    np.add.at(hazard, (spans.stratum, column), one.hazard)
    observed[:, -1], hazard[:, -1] = observed.sum(axis=1), hazard.sum(axis=1)
    return leave_out_level(observed, hazard)

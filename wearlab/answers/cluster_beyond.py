"""What stands beyond the named level: a closer pair or window inside it, and other levels that it does not explain."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearlab.answers.cluster_exposure import Counted, Studied, count_factors, window_factor
from wearlab.answers.cluster_factors import MONTH, Factor
from wearlab.answers.cluster_search import Searched, best, search
from wearlab.curves.expected import Bools, add_up, fit_classes, hazards, leave_out
from wearlab.curves.expected_counts import estimate_spread

_ROUNDS = 3
_DRAWS = 1000
_LEVEL = 0.05

COLUMNS = ["kind", "component", "factor", "level", "lives", "observed", "expected", "ratio", "p_adjusted"]


@dataclass(frozen=True, slots=True)
class Named:
    """One level of one factor, as a mark on every life."""

    factor: str
    level: str
    mine: Bools


def look_beyond(one: Studied | None, named: Named | None, seed: int, progress: Callable[[str], None]) -> pd.DataFrame:
    """Return what adds beyond the named level at p < 0.05, in the order in which it was found.

    The named parts get a life curve of their own; what still stands out is searched for again, on new draws and paid
    for again: among the named parts (``within``: a pair of levels, or a window of fitting dates) and among the others
    (``also``: a level that the first does not explain). The strongest of the others then gets its own curve, and so on,
    three times at most. Empty where no level is named.
    """
    rows: list[dict[str, object]] = []
    if one is None or named is None:
        return pd.DataFrame(rows, columns=COLUMNS)
    taken = [named]
    for turn in range(_ROUNDS):
        apart = _with_own_curves(one, taken)
        rows.extend(_find(apart, _inside(one, taken[-1]), (seed, turn, 1), "within", progress)[:1])
        if turn == _ROUNDS - 1:
            break
        also = _find(apart, _outside(one, taken), (seed, turn, 2), "also", progress)
        if not also:
            break
        rows.extend(also[:1])
        taken.append(Named(str(also[0]["factor"]), str(also[0]["level"]), np.asarray(also[0]["mine"], dtype=np.bool_)))
    return pd.DataFrame(rows, columns=COLUMNS)


def window_adds(one: Studied, base: Named, window: Named, seed: int, progress: Callable[[str], None]) -> bool:
    """Return whether a window of fitting dates stands out at p < 0.05 beyond its best single level."""
    apart = _with_own_curves(one, [base])
    found = _find(apart, _outside(one, [base]), (seed, 0, 3), "also", progress)
    return any(bool((np.asarray(row["mine"], dtype=np.bool_) & window.mine).any()) for row in found[:1])


def _with_own_curves(one: Studied, taken: Sequence[Named]) -> Studied:
    """Return the component with a class of its own for the parts of each named level."""
    group = np.zeros(len(one.part.lives), dtype=np.int64)
    for number, named in enumerate(taken, start=1):
        group[named.mine & (group == 0)] = number
    spans = one.part.spans
    spans = replace(spans, stratum=spans.stratum * (len(taken) + 1) + group[spans.life])
    curves = fit_classes(spans)
    apart = leave_out(spans, curves)
    known = np.isfinite(apart.hazard)
    count = len(one.part.units)
    expected = add_up(spans.unit, np.where(known, apart.hazard, 0.0), count)
    observed = add_up(spans.unit, np.where(spans.failed & known, spans.weight, 0.0), count)
    return replace(
        one,
        part=replace(one.part, spans=spans),
        curves=curves,
        hazard=hazards(spans, curves),
        spread=estimate_spread(observed, expected, np.zeros(count)),
    )


def _inside(one: Studied, named: Named) -> tuple[Factor, ...]:
    return _kept(one, named.mine, skip=named.factor)


def _outside(one: Studied, taken: Sequence[Named]) -> tuple[Factor, ...]:
    free = ~np.logical_or.reduce([named.mine for named in taken])
    return _kept(one, free, skip=None)


def _kept(one: Studied, mine: Bools, skip: str | None) -> tuple[Factor, ...]:
    """Return the factors with levels for the chosen lives only; those with a single level left say nothing."""
    out = []
    for factor in one.factors:
        code = np.where(mine, factor.code, -1)
        if factor.name != skip and len(np.unique(code[code >= 0])) > 1:
            out.append(replace(factor, code=code))
    return tuple(out)


def _find(
    one: Studied, factors: tuple[Factor, ...], seed: Sequence[int], kind: str, progress: Callable[[str], None]
) -> list[dict[str, object]]:
    """Return the strongest level or window among these factors, as a list of one row, or none where chance would do."""
    if not factors:
        return []
    counted = count_factors(one, factors, _DRAWS, seed, progress)
    searched = search(counted.families())
    chosen = best(searched, _DRAWS)
    if chosen is None or searched[chosen[0]].adjusted[chosen[1]] >= _LEVEL:
        return []
    return [_row(one, factors, counted, searched, chosen, kind)]


def _row(
    one: Studied,
    factors: tuple[Factor, ...],
    counted: Counted,
    searched: Sequence[Searched],
    chosen: tuple[int, int],
    kind: str,
) -> dict[str, object]:
    place, level = chosen
    if place == len(factors):
        month = next(factor for factor in factors if factor.name == MONTH)
        factor, at = window_factor(month, counted.ends[level]), 0
    else:
        factor, at = factors[place], level
    counts = counted.families()[place]
    observed, expected = float(counts.observed[level]), float(counts.expected[level])
    return {
        "kind": kind,
        "component": one.part.component,
        "factor": factor.name,
        "level": factor.levels[at],
        "lives": int((factor.code == at).sum()),
        "observed": observed,
        "expected": expected,
        "ratio": observed / expected if expected > 0 else np.nan,
        "p_adjusted": float(searched[place].adjusted[level]),
        "mine": factor.code == at,
    }

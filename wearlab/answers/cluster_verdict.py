"""The verdict: one level of one factor, suspected or found, or nothing beyond chance."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearlab.answers.cluster_beyond import Named, window_adds
from wearlab.answers.cluster_exposure import Counted, Studied, tabulate_levels, window_factor
from wearlab.answers.cluster_factors import MONTH, Factor
from wearlab.answers.cluster_search import Searched, best
from wearlab.curves.expected import add_up

FOUND, SUSPECTED = 0.05, 0.20
_ENOUGH = 5.0  # failures below which a cluster is suspected at most


@dataclass(frozen=True, slots=True)
class Verdict:
    """One level of one factor, or nothing: ``found`` is ``found``, ``suspected`` or ``nothing``."""

    found: str
    factor: str | None
    level: str | None
    p_adjusted: float | None
    text: str
    component: str | None
    observed: float | None
    expected: float | None
    ratio: float | None
    ratio_low: float | None
    ratio_high: float | None
    beyond_expected: float | None
    not_failed: int | None
    within: str | None


@dataclass(frozen=True, slots=True)
class Candidate:
    """One level that may be named: its component, factor, place among the factor's levels, and row of the table."""

    one: Studied
    factor: Factor
    place: int
    row: pd.Series

    @property
    def p_adjusted(self) -> float:
        """The p-value after the whole search."""
        return float(self.row["p_adjusted"])

    @property
    def named(self) -> Named:
        """The level as a mark on every life."""
        return Named(self.factor.name, self.factor.levels[self.place], self.factor.code == self.place)


@dataclass(frozen=True, slots=True)
class Looked:
    """One factor of one component after the search, with its table."""

    one: Studied
    factor: Factor
    searched: Searched
    table: pd.DataFrame


def best_level(looked: Sequence[Looked], draws: int) -> Candidate | None:
    """Return the level with the largest score among the smallest p-values, None where no level scores."""
    chosen = best([each.searched for each in looked], draws)
    if chosen is None:
        return None
    each = looked[chosen[0]]
    return Candidate(each.one, each.factor, chosen[1], each.table.iloc[chosen[1]])


def best_window(
    windows: Sequence[tuple[Studied, Counted, Searched]], draws: int, level: float
) -> tuple[Candidate, pd.DataFrame] | None:
    """Return the window of fitting dates with the largest score among the smallest p, with its row as a table."""
    chosen = best([searched for _, _, searched in windows], draws)
    if chosen is None:
        return None
    one, counted, searched = windows[chosen[0]]
    month = next(factor for factor in one.factors if factor.name == MONTH)
    factor = window_factor(month, counted.ends[chosen[1]])
    alone = slice(chosen[1], chosen[1] + 1)
    only = Searched(searched.score[alone], searched.alone[alone], searched.within[alone], searched.adjusted[alone])
    table = tabulate_levels(one, factor, only, level)
    return Candidate(one, factor, 0, table.iloc[0]), table


def choose(
    level: Candidate | None, window: Candidate | None, seed: int, progress: Callable[[str], None]
) -> Candidate | None:
    """Return the level to name: a window of fitting dates only where it adds beyond the best single level.

    A window is a candidate at p < 0.05, and stands back behind a level found by itself unless that is one of its
    months.
    """
    if window is None or window.p_adjusted >= FOUND or level is None:
        return level if level is not None else window
    month_of_it = level.factor.name == MONTH and bool((level.named.mine & window.named.mine).any())
    if level.p_adjusted < FOUND and not month_of_it:
        return level
    if level.one.part.component != window.one.part.component:
        return window
    return window if window_adds(window.one, level.named, window.named, seed, progress) else level


def judge(chosen: Candidate | None, looked: tuple[int, int, int], beyond: pd.DataFrame) -> Verdict:
    """Return the verdict in words; ``looked`` is the numbers of factors, levels and redraws.

    Found at p < 0.05 with five failures or more, not half of the excess from one truck; suspected up to 0.20.
    """
    if chosen is None:
        return _nothing(None, "No level has three failures and more than expected: nothing beyond chance.")
    if chosen.p_adjusted >= SUSPECTED:
        text = (
            f"Nothing beyond chance: something as striking as the first of the {looked[1]} levels turns up in "
            f"{100 * chosen.p_adjusted:.0f} % of fleets where nothing is wrong."
        )
        return _nothing(chosen.p_adjusted, text)
    row = chosen.row
    truck = _one_truck(chosen)
    sure = chosen.p_adjusted < FOUND and row["observed"] >= _ENOUGH and truck is None
    found = "found" if sure else "suspected"
    within = [f"{r.factor} {r.level}" for r in beyond.itertuples() if r.kind == "within"][:1]
    return Verdict(
        found=found,
        factor=chosen.named.factor,
        level=chosen.named.level,
        p_adjusted=chosen.p_adjusted,
        text=_text(found, row, looked) + _truck_text(truck) + _beyond_text(beyond),
        component=chosen.one.part.component,
        observed=float(row["observed"]),
        expected=float(row["expected"]),
        ratio=float(row["ratio"]),
        ratio_low=float(row["ratio_low"]),
        ratio_high=float(row["ratio_high"]),
        beyond_expected=float(row["beyond_expected"]),
        not_failed=int(row["not_failed"]),
        within=within[0] if within else None,
    )


def _one_truck(chosen: Candidate) -> str | None:
    """Return the truck that brings more than half of the failures beyond expected, None where no single one does."""
    one, mine = chosen.one, chosen.named.mine[chosen.one.part.spans.life]
    count = len(one.part.units)
    failed = np.where(one.part.spans.failed & mine, one.part.spans.weight, 0.0)
    beyond = add_up(one.part.spans.unit, failed - np.where(mine, one.hazard, 0.0), count)
    worst = int(np.argmax(beyond))
    return one.part.units[worst] if count > 1 and beyond[worst] > 0.5 * beyond.sum() else None


def _truck_text(truck: str | None) -> str:
    return "" if truck is None else f" More than half of the excess is one truck's ({truck}): look at that truck first."


def _nothing(p_adjusted: float | None, text: str) -> Verdict:
    return Verdict("nothing", None, None, p_adjusted, text, None, None, None, None, None, None, None, None, None)


def _text(found: str, row: pd.Series, looked: tuple[int, int, int]) -> str:
    what = f"{row['component']}s" if row["component"] else "lives"
    lead = "Found" if found == "found" else "Suspected, not settled"
    return (
        f"{lead}: {what} with {row['factor']} {row['level']} failed {row['observed']:g} times where "
        f"{row['expected']:.1f} are expected of their classes at their ages ({row['ratio']:.1f} times, between "
        f"{row['ratio_low']:.1f} and {row['ratio_high']:.1f}). After looking at {looked[0]} factors with {looked[1]} "
        f"levels the chance of as much where nothing is wrong is p = {row['p_adjusted']:.3g} ({looked[2]:,} redraws). "
        f"{int(row['not_failed'])} of {int(row['lives'])} such lives have not failed; those that still run are at risk."
    )


def _beyond_text(beyond: pd.DataFrame) -> str:
    """Return what else stands out once the named level is accounted for."""
    parts = []
    for row in beyond.itertuples():
        lead = "Most of all" if row.kind == "within" else "Besides, and not explained by it"
        parts.append(
            f" {lead}: {row.factor} {row.level} ({row.observed:g} failures, {row.expected:.1f} expected after allowing "
            f"for what is named before, p = {row.p_adjusted:.2g})."
        )
    return "".join(parts)

"""Every level of every factor scored, and the search paid for on the same draws."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from wearlab.curves.expected import Floats
from wearlab.curves.expected_null import LevelCounts

FEWEST = 3.0  # failures below which a level is no cluster


@dataclass(frozen=True, slots=True)
class Searched:
    """The scores of one factor's levels with their p-values.

    ``alone`` the level by itself, ``within`` after looking at all levels of its factor, ``adjusted`` after looking at
    all factors (of all components searched together).
    """

    score: Floats
    alone: Floats
    within: Floats
    adjusted: Floats


def score(observed: Floats, expected: Floats) -> Floats:
    """Return O ln(O / E) - (O - E) where O > E and O >= 3, else 0: the log likelihood gained by a rate of its own."""
    counts = (observed > expected) & (observed >= FEWEST)
    safe = np.maximum(expected, 1e-12)
    with_own = observed * np.log(np.maximum(observed, 1e-12) / safe) - (observed - expected)
    out: Floats = np.where(counts, with_own, 0.0)
    return out


def search(counts: Sequence[LevelCounts]) -> tuple[Searched, ...]:
    """Return the p-values of every level of every factor, all counted on the same draws.

    Within a factor the largest score of a draw is compared (Westfall & Young 1993, max form); over factors the
    smallest p of each draw, ranked among the draws, is compared with each level's (min-p form).
    """
    scores = [score(one.observed, one.expected) for one in counts]
    drawn = [score(one.drawn_observed, one.drawn_expected) for one in counts]
    largest = [one.max(axis=1, initial=0.0) for one in drawn]
    draws = len(largest[0]) if largest else 0
    smallest: Floats = np.ones(draws)
    for mine, top in zip(scores, largest, strict=True):
        pooled = np.append(top, mine.max(initial=0.0))  # the fleet itself is one of the draws under chance
        smallest = np.minimum(smallest, np.where(top > 0, _reached(pooled, top) / (draws + 1.0), 1.0))
    out = []
    for mine, each, top in zip(scores, drawn, largest, strict=True):
        scoring = mine > 0
        within = np.where(scoring, (_reached(top, mine) + 1.0) / (draws + 1.0), 1.0)
        alone = np.where(scoring, (1.0 + (each >= mine[None, :]).sum(axis=0)) / (draws + 1.0), 1.0)
        below = np.searchsorted(np.sort(smallest), within * (1.0 + 1e-9), side="right")
        adjusted = np.where(scoring, (below + 1.0) / (draws + 1.0), 1.0)
        out.append(Searched(mine, alone, within, np.maximum(adjusted, within)))
    return tuple(out)


def _reached(drawn: Floats, values: Floats) -> Floats:
    """Return how many of the drawn values reach each value."""
    out: Floats = (len(drawn) - np.searchsorted(np.sort(drawn), values, side="left")).astype(np.float64)
    return out


def best(searched: Sequence[Searched], draws: int) -> tuple[int, int] | None:
    """Return (factor, level) of the largest score among the smallest p-values, or None where no level scores.

    P-values that the draws cannot tell apart (within two standard errors of the smallest, at least two draws) count as
    equally small.
    """
    scored = [
        (float(one.within[i]), float(one.score[i]), f, i) for f, one in enumerate(searched) for i in _positive(one)
    ]
    if not scored:
        return None
    smallest = min(p for p, _, _, _ in scored)
    room = 2.0 * np.sqrt(2.0 * smallest / (draws + 1.0)) + 2.0 / (draws + 1.0)
    near = [entry for entry in scored if entry[0] <= smallest + room]
    _, _, factor, level = max(near, key=lambda entry: (entry[1], -entry[2], -entry[3]))
    return factor, level


def _positive(searched: Searched) -> list[int]:
    return [int(i) for i in np.flatnonzero(searched.score > 0)]

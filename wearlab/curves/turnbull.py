"""The counted curve where failures are known only to lie between two ages: Turnbull's estimate."""

from dataclasses import dataclass

import numpy as np

from wearlab.curves.observations import BoolArray, FloatArray, Observations

ROUNDS, TOLERANCE = 20_000, 1e-11
CELLS_AT_MOST = 40_000


@dataclass(frozen=True, slots=True)
class BetweenCurve:
    """Mass of failure in each interval (low, high]; between intervals the share failed is flat, inside not known."""

    low: FloatArray
    high: FloatArray
    mass: FloatArray
    log_likelihood: float

    def failed_share(self, age: FloatArray) -> FloatArray:
        """Return the share failed by each age, counting an interval once its upper end is reached."""
        total = np.concatenate(([0.0], np.cumsum(self.mass)))
        return np.asarray(total[np.searchsorted(self.high, age, side="right")], dtype=np.float64)


def count_between(obs: Observations) -> BetweenCurve | None:
    """Return the most likely curve without any assumed shape; None where the lives are too many for it.

    Failures lie in (lower, upper], suspensions beyond their exit, exact failures at their age; late-entering lives
    count given survival to entry. Intervals that share an end do not share it. Self-consistency iterated to 1e-11.
    Sources: Turnbull (1976), JRSS B 38; Peto (1973), Appl. Stat. 22.
    """
    low, high, entry, count = _distinct(obs)
    places = _innermost(low, high)
    if len(low) * len(places[0]) > CELLS_AT_MOST or not len(places[0]):
        return None
    inside = (places[0][None, :] >= low[:, None]) & (places[1][None, :] <= high[:, None])
    alive = places[0][None, :] >= entry[:, None]
    mass = _iterate(inside.astype(np.float64), alive.astype(np.float64), count)
    value = float(np.sum(count * (np.log(inside @ mass) - np.log(alive @ mass))))
    known = np.isfinite(places[1])
    return BetweenCurve(places[0][known], places[1][known], mass[known], value)


def _distinct(obs: Observations) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return each distinct (low, high, entry) with its count; exact ages as the smallest interval up to them."""
    exact = obs.failed & ~obs.between
    low = np.where(obs.between, obs.lower, np.where(exact, np.nextafter(obs.exit, 0.0), obs.exit))
    high = np.where(obs.failed, obs.exit, np.inf)
    rows, place = np.unique(np.column_stack([low, high, obs.entry]), axis=0, return_inverse=True)
    counts = np.asarray(np.bincount(place.ravel(), obs.count), dtype=np.float64)
    return rows[:, 0], rows[:, 1], rows[:, 2], counts


def _innermost(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the intervals that can hold mass: a low end followed directly by a high one."""
    ends = np.concatenate([low, high])
    is_high = np.repeat([False, True], [len(low), len(high)])
    order = np.lexsort((~is_high, ends))  # at one age the high ends come first: (a, b] and (b, c] do not meet
    sorted_ends, sorted_high = ends[order], is_high[order]
    here: BoolArray = ~sorted_high[:-1] & sorted_high[1:]
    return sorted_ends[:-1][here], sorted_ends[1:][here]


def _iterate(inside: FloatArray, alive: FloatArray, count: FloatArray) -> FloatArray:
    mass = np.full(inside.shape[1], 1.0 / inside.shape[1])
    before = 1.0 - alive
    for _ in range(ROUNDS):
        share = (count / (inside @ mass)) @ inside * mass
        seen = alive @ mass
        ghosts = (count / seen) @ before * mass  # lives that failed before they could enter
        moved = share + ghosts
        moved /= moved.sum()
        done = float(np.abs(moved - mass).max()) < TOLERANCE
        mass = moved
        if done:
            break
    return np.asarray(mass, dtype=np.float64)

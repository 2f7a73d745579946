"""Which meter values can be right: a derived judgement, worked out afresh, that leaves every loaded row in place."""

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.history.meters_units import MILES_PER_KM, Track, find_units

MILES_PER_DAY_LIMIT = 1_200.0  # two drivers and no pause at highway speed; common practice, no source
HOURS_PER_DAY_LIMIT = 24.0
CARRY_ON_DAYS = 60  # a meter is carried on at the unit's recent rate for so many days, and no further
JOIN_PRICE = 2.5  # an unflagged step down is a replaced meter only if three values or more stand behind it
LOOK_BACK = 12  # a run of more wrong values than this is taken for the meter itself

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


class WithMeters(Protocol):
    """Anything that carries the meters table of a History."""

    @property
    def meters(self) -> pd.DataFrame:
        """The table, one row per meter value seen."""


def summarise_meters(history: WithMeters) -> pd.DataFrame:
    """Return how many meter values of each truck were disregarded or joined, by reason.

    Columns: ``unit_id``, ``reason``, ``values`` (of this reason), ``of`` (all meter values of the truck),
    ``first_date``, ``last_date``; trucks without any are not listed.
    """
    seen = history.meters.loc[history.meters["raw_miles"].notna()]
    judged = seen.loc[seen["reason"].notna()]
    counts = judged.groupby(["unit_id", "reason"], sort=True)["date"].agg(["size", "min", "max"]).reset_index()
    counts.columns = pd.Index(["unit_id", "reason", "values", "first_date", "last_date"])
    of = counts["unit_id"].map(seen.groupby("unit_id").size()).astype("int64")
    counts.insert(3, "of", of)
    return counts


def list_corrections(history: WithMeters, unit_id: str | None = None) -> pd.DataFrame:
    """Return each meter value that was put right or filled in: old and new value, why, and how.

    Columns: ``unit_id``, ``date``, ``origin``, ``old`` (as recorded, null where nothing was), ``new`` (the joined
    miles that are used, null where nothing could be said), ``reason`` (null where nothing was recorded), ``filled``.
    """
    meters = history.meters
    found = meters.loc[meters["reason"].notna() | meters["filled"].notna()]
    if unit_id is not None:
        found = found.loc[found["unit_id"] == unit_id]
    columns = {"raw_miles": "old", "miles": "new"}
    listed = found.rename(columns=columns)[["unit_id", "date", "origin", "old", "new", "reason", "filled"]]
    return listed.sort_values(["unit_id", "date", "origin"], kind="stable").reset_index(drop=True)


@dataclass(frozen=True, slots=True)
class _Points:
    """Meter values of all trucks, sorted by truck, day, flag, value; ``epoch`` counts the flagged replacements."""

    start: Ints  # index of the first value of each truck
    stop: Ints
    day: Floats
    value: Floats
    epoch: Ints
    weight: Floats


def judge_meters(points: pd.DataFrame, *, limit_per_day: float, other_units: bool = False) -> pd.DataFrame:
    """Return ``points`` with ``kept``, ``joined`` and ``reason``: the largest set of values that can all be right.

    ``points`` holds ``unit_no``, ``day``, ``value``, ``meter_replaced``, ``weight``, one row per different value of a
    truck and day, sorted by these. Two values of one meter can both be right when the later is not the smaller and
    the difference is at most ``limit_per_day`` times the days between (a gap under a day counts as one day). Of all
    chains of such values the heaviest is kept, the earlier of two equals; the in-service value weighs 1.5, every
    other 1. A reading with ``meter_replaced`` begins a new meter at no price, unless it continues the old one; a
    step down without that flag begins one at the price of 2.5 values, so that only a lasting one is believed. A new
    meter is joined at the old one's last value plus the truck's rate over the 365 days before.
    ``reason``: ``drop``, ``impossible daily rate``, ``lone spike``, or ``replaced`` / ``replaced, not flagged`` on
    the first value of a joined meter; None elsewhere. ``joined`` is NaN where the value is disregarded. With
    ``other_units`` values of trucks with a doubtful one are tried as kilometres, kept at their miles with the reason
    ``kilometres``, and as ``engine hours``, disregarded so (``meters_units.py``).
    """
    judged = points.copy(deep=False)
    p = _sort_out(points)
    before = np.arange(len(p.day)) - 1
    before[p.start] = -1
    suspect = ~_agrees(p, before, np.arange(len(p.day)), limit_per_day)
    suspect[p.start] = False
    dirty = np.add.reduceat(suspect, p.start) > 0 if len(p.start) else np.zeros(0, dtype=bool)
    kept = np.ones(len(p.day), dtype=bool)
    if dirty.any():
        before = _best_chains(p, dirty, before, kept, limit_per_day)
    kilometres = hours = np.zeros(len(p.day), dtype=bool)
    if dirty.any() and other_units:
        kilometres, hours = _try_units(p, dirty, kept, limit_per_day)
        p = replace(p, value=np.where(kilometres, p.value * MILES_PER_KM, p.value))
        before = _kept_before(p, kept)
    offset, joins = _join_offsets(p, kept, before, limit_per_day)
    judged["kept"] = kept
    judged["joined"] = np.where(kept, p.value + offset, np.nan)
    reason = _reasons(p, kept, joins, points["meter_replaced"].to_numpy(dtype=bool), limit_per_day)
    reason[kilometres], reason[hours] = "kilometres", "engine hours"
    judged["reason"] = reason
    return judged


def _try_units(p: _Points, dirty: Bools, kept: Bools, limit: float) -> tuple[Bools, Bools]:
    """Return which values of the trucks in ``dirty`` are kilometres and engine hours; ``kept`` gains what fits."""
    kilometres, hours = np.zeros(len(p.day), dtype=bool), np.zeros(len(p.day), dtype=bool)
    for start, stop in zip(p.start[dirty].tolist(), p.stop[dirty].tolist(), strict=True):
        part = slice(start, stop)
        found = find_units(Track(p.day[part], p.value[part], kept[part], p.epoch[part]), limit)
        kilometres[part], hours[part], kept[part] = found.kilometres, found.hours, found.kept
    return kilometres, hours


def _kept_before(p: _Points, kept: Bools) -> Ints:
    """Return the kept value before each value of its truck, -1 where there is none."""
    last = np.maximum.accumulate(np.where(kept, np.arange(len(kept)), -1))
    before = np.r_[-1, last[:-1]]
    first = np.repeat(p.start, p.stop - p.start)
    return np.where(before >= first, before, -1)


def _sort_out(points: pd.DataFrame) -> _Points:
    unit = points["unit_no"].to_numpy(dtype=np.int64)
    start = np.flatnonzero(np.r_[True, unit[1:] != unit[:-1]]) if len(unit) else np.zeros(0, dtype=np.int64)
    return _Points(
        start=start,
        stop=np.r_[start[1:], len(unit)] if len(unit) else start,
        day=points["day"].to_numpy(dtype=float),
        value=points["value"].to_numpy(dtype=float),
        epoch=np.cumsum(points["meter_replaced"].to_numpy(dtype=bool)),
        weight=points["weight"].to_numpy(dtype=float),
    )


def _agrees(p: _Points, first: Ints, second: Ints, limit: float) -> Bools:
    """Tell for pairs of values whether both can be right on one meter."""
    rise = p.value[second] - p.value[first]
    return (rise >= 0) & (rise <= limit * np.maximum(p.day[second] - p.day[first], 1.0))


def _best_chains(p: _Points, dirty: Bools, before: Ints, kept: Bools, limit: float) -> Ints:
    """Fill ``kept`` for the trucks in ``dirty`` and return the kept value before each value (-1 = none).

    Dynamic programming over the values of all these trucks at once: step j looks at the j-th value of each.
    """
    start, length = p.start[dirty], (p.stop - p.start)[dirty]
    order = np.argsort(-length, kind="stable")
    start, length = start[order], length[order]
    score = p.weight.copy()
    parent = np.full(len(p.day), -1, dtype=np.int64)
    for j in range(1, int(length[0])):
        now = start[: np.searchsorted(-length, -j, side="left")] + j
        _extend(p, now, min(j, LOOK_BACK), score, parent, limit)
    chained = before.copy()
    for first, size in zip(start.tolist(), length.tolist(), strict=True):
        at = first + int(np.argmax(score[first : first + size]))
        kept[first : first + size] = False
        while at >= 0:
            kept[at] = True
            chained[at] = parent[at]
            at = int(parent[at])
    return chained


def _extend(p: _Points, now: Ints, reach: int, score: Floats, parent: Ints, limit: float) -> None:
    """Give each value in ``now`` its best predecessor among the ``reach`` values before it; earliest of equals."""
    steps = np.arange(reach, 0, -1)
    earlier = now[:, None] - steps
    later = np.broadcast_to(now[:, None], earlier.shape)
    agrees = _agrees(p, earlier, later, limit)
    new_meter = p.epoch[later] != p.epoch[earlier]
    step_down = p.value[later] < p.value[earlier]
    price = np.where(agrees | new_meter, 0.0, np.where(step_down, JOIN_PRICE, np.inf))
    gain = score[earlier] - price
    best = np.argmax(gain, axis=1)
    row = np.arange(len(now))
    better = gain[row, best] > 0
    parent[now[better]] = earlier[row, best][better]
    score[now[better]] += gain[row, best][better]


def _join_offsets(p: _Points, kept: Bools, before: Ints, limit: float) -> tuple[Floats, Ints]:
    """Return what to add to each value, and the indices of values that begin a joined meter."""
    index = np.flatnonzero(kept & (before >= 0))
    joins = index[~_agrees(p, before[index], index, limit)]
    offset = np.zeros(len(p.day))
    unit_of = np.searchsorted(p.start, joins, side="right") - 1
    for at, unit in zip(joins.tolist(), unit_of.tolist(), strict=True):
        last, begin, end = int(before[at]), int(p.start[unit]), int(p.stop[unit])
        old = np.flatnonzero(kept[begin : last + 1]) + begin
        rate = _rate_up_to(p.day[old], (p.value + offset)[old])
        if np.isnan(rate):
            new = np.flatnonzero(kept[at:end]) + at
            rate = _rate_up_to(-p.day[new][::-1], -p.value[new][::-1])
        days = p.day[at] - p.day[last]
        offset[at:end] = p.value[last] + offset[last] + max(np.nan_to_num(rate), 0.0) * days - p.value[at]
    return offset, joins


def _rate_up_to(day: Floats, value: Floats) -> float:
    """Return the rate over the last 365 days of a track, or between its last two days; NaN with one day only."""
    earlier = day < day[-1]
    if not earlier.any():
        return float("nan")
    recent = np.flatnonzero(earlier & (day >= day[-1] - 365))
    first = int(recent[0]) if len(recent) else int(np.flatnonzero(earlier)[-1])
    return float((value[-1] - value[first]) / (day[-1] - day[first]))


def _reasons(p: _Points, kept: Bools, joins: Ints, flagged: Bools, limit: float) -> npt.NDArray[np.object_]:
    reason = np.full(len(p.day), None, dtype=object)
    reason[joins] = np.where(flagged[joins], "replaced", "replaced, not flagged")
    lost = np.flatnonzero(~kept)
    if len(lost) == 0:
        return reason
    unit = np.searchsorted(p.start, lost, side="right") - 1
    kept_at = np.flatnonzero(kept)
    place = np.searchsorted(kept_at, lost)
    previous = np.where(place > 0, kept_at[np.maximum(place - 1, 0)], -1)
    previous = np.where(previous >= p.start[unit], previous, -1)
    following = kept_at[np.minimum(place, len(kept_at) - 1)]
    following = np.where((following > lost) & (following < p.stop[unit]), following, -1)
    drop = (previous >= 0) & (p.value[lost] < p.value[previous])
    too_fast = (previous >= 0) & ~drop & ~_agrees(p, previous, lost, limit)
    spike = (following >= 0) & (p.value[lost] > p.value[following])
    reason[lost] = np.select(
        [drop, too_fast, spike], ["drop", "impossible daily rate", "lone spike"], "impossible daily rate"
    )
    return reason

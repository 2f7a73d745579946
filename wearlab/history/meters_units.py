"""Meter values in the wrong unit: kilometres or engine hours in a column of miles, told by how they fit the rest.

Values that cannot be right as miles are kilometres where they fit between those that are right once divided by 1.609344
(the international mile, NIST Special Publication 811, appendix B.8): two or more of them in a row, or one between two
close neighbours. A step up that is steep for the truck, after which it runs on at about 1.609 times its rate, begins a
stretch in kilometres. Where a stretch that is not right as miles fits before the rest only if the rest is divided, the
rest is in kilometres. A lasting step down to that share of the meter ends a stretch in kilometres. Values that rise by
less than 24 a day among themselves, far below the meter, are engine hours: common practice, no source. While the meter
stands low (within some five of the truck's usual steps) the two cannot be told apart, and nothing is converted.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

MILES_PER_KM = 0.621371192237334
_CLOSE = 0.25  # two neighbours no further apart than this share of the value fix a single value between them
_ENOUGH = 0.8  # share of a run that must fit
_RUN = 2  # values of a run without close neighbours
_ERA = 3  # values on each side, to take a whole stretch for kilometres
_STEEP = 2.5  # times the truck's own rate, for a step to be a change of unit
_LEAST, _MOST = 1.45, 1.8  # rate after over rate before such a step: 1.609 but for the truck's own change of use
_SLOWEST = 0.5  # times the rate before, across such a step
_DISTINCT = 5.0  # usual steps that a change of unit must come to
_NEW_METER = 0.3  # a new meter begins below this share of the old one's last value

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Track:
    """The meter values of one truck in the order in which a right meter shows them; ``kept``: right as miles."""

    day: Floats
    value: Floats
    kept: Bools
    epoch: Ints  # flagged replacements before each value


@dataclass(frozen=True, slots=True)
class Converted:
    """What of a truck's values is in kilometres, and what are engine hours; ``kept`` with those that fit converted."""

    kilometres: Bools
    hours: Bools
    kept: Bools


def find_units(track: Track, limit_per_day: float) -> Converted:
    """Return which values of one truck are kilometres and which engine hours."""
    km, kept = np.zeros(len(track.day), dtype=bool), track.kept.copy()
    _end_eras(track, km, limit_per_day)
    _start_eras(track, km)
    for run in _list_runs(track.kept):
        fitting = _fit_run(track, run, km, limit_per_day)
        if fitting is not None:
            kept[fitting[0]], km[fitting[1]] = True, True
            continue
        era = _fit_rest(track, run, limit_per_day)
        if era is not None:
            fits, rest = era
            kept[fits], km[rest] = True, True
    return Converted(km, _find_hours(track, kept), kept)


def _list_runs(kept: Bools) -> list[Ints]:
    lost = np.flatnonzero(~kept)
    return np.split(lost, np.flatnonzero(np.diff(lost) > 1) + 1) if len(lost) else []


def _can_follow(track: Track, values: Floats, first: int, second: int, limit: float) -> bool:
    rise = values[second] - values[first]
    return bool(0 <= rise <= limit * max(track.day[second] - track.day[first], 1.0))


def _neighbours(track: Track, run: Ints) -> tuple[int | None, int | None]:
    """Return the values right as miles next to a run on the same meter."""
    epoch, size = track.epoch[run[0]], len(track.day)
    first, last = int(run[0]) - 1, int(run[-1]) + 1
    before = first if first >= 0 and track.epoch[first] == epoch else None
    after = last if last < size and track.epoch[last] == track.epoch[run[-1]] else None
    return before, after


def _walk(track: Track, values: Floats, run: Ints, ends: tuple[int | None, int | None], limit: float) -> list[int]:
    """Return the values of a run that fit one after another between its ends."""
    at, after = ends
    fitting: list[int] = []
    for n in run.tolist():
        follows = at is None or _can_follow(track, values, at, n, limit)
        if follows and (after is None or _can_follow(track, values, n, after, limit)):
            fitting.append(n)
            at = n
    return fitting


def _fit_run(track: Track, run: Ints, km: Bools, limit: float) -> tuple[list[int], list[int]] | None:
    """Return the values of a run that fit, and those of them that are kilometres; None where they do not fit so."""
    ends = _neighbours(track, run)
    if ends == (None, None):
        return None
    values = np.where(km, track.value * MILES_PER_KM, track.value)
    fitting, turned = _walk_either(track, values, run, ends, limit)
    if turned and len(fitting) >= _RUN and len(fitting) >= _ENOUGH * len(run):
        return fitting, turned
    before, after = ends
    if len(fitting) == len(turned) == len(run) == 1 and before is not None and after is not None:
        close = values[after] - values[before] <= _CLOSE * values[run[0]]
        return (fitting, turned) if close else None
    return None


def _walk_either(
    track: Track, values: Floats, run: Ints, ends: tuple[int | None, int | None], limit: float
) -> tuple[list[int], list[int]]:
    """Return the values of a run that fit one after another as miles, else as kilometres; ``values`` is changed."""
    at, after = ends
    fitting: list[int] = []
    turned: list[int] = []
    for n in run.tolist():
        for factor in (1.0, MILES_PER_KM):
            values[n] = track.value[n] * factor
            follows = at is None or _can_follow(track, values, at, n, limit)
            if follows and (after is None or _can_follow(track, values, n, after, limit)):
                fitting.append(n)
                turned += [n] if factor != 1.0 else []
                at = n
                break
    return fitting, turned


def _fit_rest(track: Track, run: Ints, limit: float) -> tuple[list[int], Ints] | None:
    """Return a run that is right as miles and the values after it that are kilometres, or None where it is not so."""
    before, after = _neighbours(track, run)
    if after is None:
        return None
    rest = np.flatnonzero(track.kept & (track.epoch == track.epoch[after]) & (np.arange(len(track.day)) >= after))
    values = track.value.copy()
    values[rest] *= MILES_PER_KM
    fitting = _walk(track, values, run, (before, after), limit)
    enough = min(len(fitting), len(rest)) >= _ERA and len(fitting) >= _ENOUGH * len(run)
    return (fitting, rest) if enough else None


def _end_eras(track: Track, km: Bools, limit: float) -> None:
    """Mark what stands before a step down to the share of a mile in a kilometre as kilometres."""
    right = np.flatnonzero(track.kept)
    for number in range(1, len(right)):
        last, at = int(right[number - 1]), int(right[number])
        if track.epoch[last] != track.epoch[at] or track.value[at] >= track.value[last]:
            continue
        values = track.value.copy()
        values[last] *= MILES_PER_KM
        if track.value[at] > _NEW_METER * track.value[last] and _can_follow(track, values, last, at, limit):
            km[right[:number]] = True


def _start_eras(track: Track, km: Bools) -> None:
    """Mark what stands after a step up as kilometres where divided it goes on at the truck's own rate, and as steadily.

    The step must be steep for this truck, and its rate after the step about 1.609 times that before.
    """
    right = np.flatnonzero(track.kept & ~km)
    if len(right) < 2 * _ERA:
        return
    value, day = track.value[right], track.day[right]
    rates, usual_gap = np.diff(value) / np.maximum(np.diff(day), 1.0), max(float(np.median(np.diff(day))), 1.0)
    for number in range(_ERA, len(right) - _ERA + 1):
        before, after = np.median(rates[: number - 1]), np.median(rates[number:])
        gap = max(day[number] - day[number - 1], 1.0)
        divided = (value[number] * MILES_PER_KM - value[number - 1]) / gap
        steep = rates[number - 1] > _STEEP * max(before, after * MILES_PER_KM)
        distinct = value[number] * (1 - MILES_PER_KM) >= _DISTINCT * before * usual_gap
        steady = _SLOWEST * before <= divided <= 2 * before and _LEAST * before <= after <= _MOST * before
        if steep and distinct and steady and before > 0:
            until = track.epoch[right] == track.epoch[right[number]]
            km[right[until & (np.arange(len(right)) >= number)]] = True
            return


def _find_hours(track: Track, kept: Bools) -> Bools:
    hours = np.zeros(len(kept), dtype=bool)
    right, lost = np.flatnonzero(kept), np.flatnonzero(~kept)
    if len(right) == 0 or len(lost) < _RUN:
        return hours
    place = np.searchsorted(right, lost)
    beside = track.value[right[np.maximum(place - 1, 0)]]
    low = lost[(track.value[lost] > 0) & (track.value[lost] < _NEW_METER * beside)]
    rises, days = np.diff(track.value[low]), np.maximum(np.diff(track.day[low]), 1.0)
    if len(low) >= _RUN and bool((rises >= 0).all() and (rises <= 24 * days).all() and rises.sum() > 0):
        hours[low] = True
    return hours

"""Lives that follow one another at one place, as windows and events of the age of the place."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearlab.curves.observations import BoolArray, FloatArray, IntArray
from wearlab.curves.recurrence import Window


@dataclass(frozen=True, slots=True)
class Places:
    """The places of one component: how long each was watched, and when its parts failed."""

    window: Window
    place: IntArray
    age: FloatArray


def chain_lives(lives: pd.DataFrame) -> Places | None:
    """Return the places of a lives table, zero-length lives included; None where positions are not named.

    The age of a place runs on from part to part. Where lives were left out between two others, or a life has no age,
    the chain is cut: what comes after is not counted, since its place in the chain is not known.
    """
    named = lives[lives["unit_id"].notna() & lives["position"].notna() & (lives["count"] == 1.0)]
    if named.empty:
        return None
    named = named.sort_values(["unit_id", "position", "component", "life_number"], kind="stable")
    key = [named["unit_id"], named["position"], named["component"].fillna("")]
    place: IntArray = np.asarray(named.groupby(key, sort=True).ngroup(), dtype=np.int64)
    kept = _unbroken(named, place) & ~_after_unknown(named, place)
    named, place = named[kept], np.unique(place[kept], return_inverse=True)[1]
    entry = named["entry"].to_numpy(dtype=float)
    first = np.flatnonzero(np.diff(place, prepend=-1))
    age = named["exit"].astype(float).groupby(place).cumsum().to_numpy()  # a sum of its own: no other's rounding
    last = np.append(first[1:], len(place)) - 1
    units = named["unit_id"].astype(str).to_numpy()[first]
    window = Window(entry[first], age[last], np.unique(units, return_inverse=True)[1].astype(np.int64))
    failed = named["failed"].to_numpy(dtype=bool)
    return Places(window, place[failed].astype(np.int64), age[failed])


def _after_unknown(lives: pd.DataFrame, place: IntArray) -> BoolArray:
    """Return which lives have no age on this scale, or follow such a one at their place."""
    unknown = lives["entry"].isna() | lives["exit"].isna()
    return np.asarray(unknown.groupby(place).cummax(), dtype=np.bool_)


def _unbroken(lives: pd.DataFrame, place: IntArray) -> BoolArray:
    """Return which lives follow on from the first of their place without a gap."""
    if "start_date" not in lives or "end_date" not in lives:
        return np.ones(len(lives), dtype=bool)
    start, end = lives["start_date"].to_numpy(), lives["end_date"].to_numpy()
    follows = np.ones(len(lives), dtype=bool)
    same = place[1:] == place[:-1]
    follows[1:][same] = start[1:][same] == end[:-1][same]
    cut = np.cumsum(~follows)
    first = np.flatnonzero(np.diff(place, prepend=-1))
    return np.asarray(cut == np.repeat(cut[first], np.diff(np.append(first, len(place)))), dtype=np.bool_)

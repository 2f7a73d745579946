"""The factors of a life known when it was fitted, as codes."""

import difflib
from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearlab.curves.expected import Ints
from wearlab.evidence import DataError
from wearlab.history.lives import History

MONTH = "fitted_month"
WINDOW = "fitted_window"
_WINDOWS_KEPT = 600  # levels looked at in one factor; the rest, with the fewest lives, are left out
_SMALL = 3  # a level with fewer lives can never reach three failures


@dataclass(frozen=True, slots=True)
class Factor:
    """One factor: its name, its levels in alphabetical order, and the level of each life (-1 = not known)."""

    name: str
    levels: tuple[str, ...]
    code: Ints


def choose_factors(history: History, asked: tuple[str, ...]) -> tuple[str, ...]:
    """Return the factors to look at: those asked for, else every factor of the data, hardware and month of fitting.

    Refused: a name that is no factor (with the nearest name as the fix).
    """
    known = tuple(dict.fromkeys((*history.factors, "hardware", "duty_cycle", MONTH)))
    for name in asked:
        if name not in known or (name != MONTH and name not in history.lives):
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.0)
            raise DataError(
                code="unknown-factor",
                text=f"There is no factor {name!r} in this data; factors: {', '.join(known)}.",
                fix=f"Did you mean {near[0]!r}?" if near else "",
                column=name,
            )
    if asked:
        return tuple(dict.fromkeys(asked))
    return tuple(name for name in known if name != "duty_cycle" and (name == MONTH or name in history.lives))


def code_factor(name: str, lives: pd.DataFrame) -> Factor | None:
    """Return the levels of one factor over these lives, or None where fewer than two levels are known."""
    values = _values(name, lives)
    known = values.notna().to_numpy(bool)
    text = values.astype(str).to_numpy(dtype=str)
    levels, inverse, counts = np.unique(text[known], return_inverse=True, return_counts=True)
    if len(levels) < 2:
        return None
    kept = np.flatnonzero(counts >= (_SMALL if len(levels) > 50 else 1))
    if len(kept) > _WINDOWS_KEPT:
        kept = np.sort(kept[np.argsort(-counts[kept], kind="stable")[:_WINDOWS_KEPT]])
    if not len(kept):
        return None
    place = np.full(len(levels), -1, dtype=np.int64)
    place[kept] = np.arange(len(kept))
    code = np.full(len(lives), -1, dtype=np.int64)
    code[known] = place[inverse]
    return Factor(name, tuple(str(level) for level in levels[kept]), code)


def _values(name: str, lives: pd.DataFrame) -> pd.Series:
    """Return the level of each life as text, missing where it is not known."""
    if name == MONTH:
        return pd.to_datetime(lives["start_date"]).dt.strftime("%Y-%m")
    return lives[name]

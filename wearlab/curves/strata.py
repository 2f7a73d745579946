"""Which lives are fitted together: one component, one failure mode, and the columns that part the strata."""

from difflib import get_close_matches

import numpy as np
import pandas as pd

from wearlab.evidence import DataError
from wearlab.history.lives import History

PARTING = ("component", "duty_cycle", "hardware", "shaft", "position", "life_number")
USUAL = ("component", "duty_cycle")

Stratum = tuple[tuple[str, str | None], ...]


def choose_lives(history: History, *, component: str | None, mode: str | None) -> pd.DataFrame:
    """Return the fittable lives, of one component if named; with ``mode``, other modes' failures become suspensions.

    A life that another mode ended between two ages is suspended in the middle of them. A component or mode that the
    data does not have is refused (DataError) with the nearest name.
    """
    lives = history.lives[history.lives["fittable"].to_numpy(dtype=bool)]
    if component is not None:
        lives = lives[_equal(lives, "component", component)]
    return lives if mode is None else _one_mode(lives, mode)


def _equal(lives: pd.DataFrame, column: str, wanted: str) -> pd.Series:
    names = sorted(map(str, lives[column].dropna().unique()))
    if wanted not in names:
        raise DataError(f"unknown-{column}", f"no {column} is called '{wanted}'", _name_nearest(wanted, names))
    return lives[column].astype(object) == wanted


def _name_nearest(wanted: str, names: list[str]) -> str:
    near = get_close_matches(wanted, names, n=1, cutoff=0.0)
    return f"nearest: '{near[0]}'; there are: {', '.join(names)}" if near else "the data has none at all"


def _one_mode(lives: pd.DataFrame, mode: str) -> pd.DataFrame:
    named = _equal(lives, "mode", mode).to_numpy(dtype=bool)
    others = lives["failed"].to_numpy(dtype=bool) & ~named
    lower, upper = lives["lower"].to_numpy(dtype=float), lives["upper"].to_numpy(dtype=float)
    entry, exit_ = lives["entry"].to_numpy(dtype=float), lives["exit"].to_numpy(dtype=float)
    between = others & (lower < upper)
    middle = np.where(between, 0.5 * (np.maximum(lower, entry) + upper), exit_)
    return lives.assign(
        exit=middle,
        failed=lives["failed"].to_numpy(dtype=bool) & named,
        lower=np.where(others, np.nan, lower),
        upper=np.where(others, np.nan, upper),
    )


def choose_columns(history: History, lives: pd.DataFrame, by: tuple[str, ...] | None) -> tuple[str, ...]:
    """Return the columns that part the strata: those named, or component and duty cycle where these carry values.

    A column that is not known when a part is fitted or that the data does not have is refused
    (DataError) with the nearest name.
    """
    if by is None:
        return tuple(column for column in USUAL if lives[column].notna().any())
    allowed = [name for name in (*PARTING, *history.factors) if name in lives and lives[name].notna().any()]
    for column in by:
        if column not in allowed:
            raise DataError(
                "unknown-column", f"lives cannot be parted by '{column}'", _name_nearest(column, allowed), column=column
            )
    return tuple(dict.fromkeys(by))


def split_lives(lives: pd.DataFrame, columns: tuple[str, ...]) -> list[tuple[Stratum, pd.DataFrame]]:
    """Return each stratum's values and its lives, in the order of the values, missing values last."""
    if not columns:
        return [((), lives)]
    keys = lives[list(columns)].astype(object)
    grouped = lives.groupby([keys[column] for column in columns], dropna=False, sort=False)
    parts = [(_stratum(columns, values), rows) for values, rows in grouped]
    return sorted(parts, key=lambda part: [(value is None, value or "") for _, value in part[0]])


def _stratum(columns: tuple[str, ...], values: object) -> Stratum:
    every = values if isinstance(values, tuple) else (values,)
    return tuple((name, None if pd.isna(value) else str(value)) for name, value in zip(columns, every, strict=True))


def name_stratum(stratum: Stratum) -> tuple[tuple[str, str], ...]:
    """Return the stratum as it stands in a Basis, missing values in words."""
    return tuple((name, "not recorded" if value is None else value) for name, value in stratum)


def say_stratum(stratum: tuple[tuple[str, str], ...]) -> str:
    """Return a Basis's stratum as the start of a sentence (``joint, line_haul: ``), empty without one."""
    words = [value if name in USUAL else f"{name} {value}" for name, value in stratum]
    return f"{', '.join(words)}: " if words else ""


def say_count(number: int, noun: str) -> str:
    """Return a number with its noun: 1 failure, 2 failures, 1 life, 2,000 lives."""
    plural = {"life": "lives"}.get(noun, f"{noun}s")
    return f"{number:,} {noun if number == 1 else plural}"

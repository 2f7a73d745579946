"""Episodes: each life laid out over the stretches of practice that it meets, which are neighbours in their table."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from pandas.api.types import union_categoricals

EPISODE_TYPES = {
    "life_id": "bigint", "unit_id": "string", "position": "string", "component": "string", "duty_cycle": "string",
    "hardware": "string", "shop": "string", "entry": "double", "exit": "double", "failed": "boolean",
    "lower": "double", "upper": "double", "practised_miles": "double", "practice_source": "string",
    "raw_practised_miles": "double", "gaps_behind": "bigint", "entry_day": "integer", "exit_day": "integer",
    "entry_miles": "double", "exit_miles": "double", "cups_purged_before": "double", "grease_grade_before": "string",
}  # fmt: skip
_OF_LIFE = ("life_id", "unit_id", "position", "component", "hardware", "shop")
_OF_SPAN = ("duty_cycle", "practised_miles", "practice_source", "raw_practised_miles", "gaps_behind")

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


def lay_out(lives: pd.DataFrame, spans: pd.DataFrame) -> pd.DataFrame:
    """Return one row per stretch of a life in which practice and duty cycle did not change, by life and age.

    ``lives`` are the rows of ``sql/lives/lives_to_lay.sql``, ``spans`` those of ``spans_to_lay.sql`` for the same
    trucks, both in their order; texts are categorical, here and in the result. Columns: ``EPISODE_TYPES``; days are
    counted from 1970-01-01. A failure found at an inspection is on the stretch that its interval begins in.
    """
    life, span = _meet(lives, spans)
    own = {name: lives[name].to_numpy()[life] for name in ("start_at", "entry", "exit", "after_entry", "before_exit")}
    met = {name: spans[name].to_numpy()[span] for name in ("from_at", "to_at")}
    after_lower = lives["after_lower"].to_numpy()[life]
    first = met["from_at"] <= own["after_entry"]
    last = (met["to_at"] >= own["before_exit"]) | (met["to_at"] > after_lower)
    entry = np.where(first, own["entry"], np.fmax(met["from_at"] - own["start_at"], own["entry"]))
    exit_ = np.where(last, own["exit"], np.fmin(met["to_at"] - own["start_at"], own["exit"]))
    meets = (met["from_at"] < own["before_exit"]) & (met["to_at"] > own["after_entry"])
    kept = meets & ~(met["from_at"] > after_lower) & (exit_ > entry)
    laid = _Laid(life[kept], span[kept], first[kept], last[kept])
    columns = {"entry": entry[kept], "exit": exit_[kept], **_describe(laid, lives, spans)}
    return pd.DataFrame({name: columns[name] for name in EPISODE_TYPES}, copy=False)


@dataclass(frozen=True, slots=True)
class _Laid:
    """Row numbers of the life and of the stretch of each episode; whether it is the first and the last of its life."""

    life: Ints
    span: Ints
    first: Bools
    last: Bools


def _meet(lives: pd.DataFrame, spans: pd.DataFrame) -> tuple[Ints, Ints]:
    """Return the row numbers of each life and of each stretch from its first to its last."""
    begin = np.searchsorted(spans["unit_no"].to_numpy(), lives["unit_no"].to_numpy()) - 1
    first, last = lives["first_span"].to_numpy(), lives["last_span"].to_numpy()
    count = last - first + 1
    life = np.repeat(np.arange(len(lives)), count)
    return life, np.arange(len(life)) + np.repeat(begin + first - (np.cumsum(count) - count), count)


def _describe(laid: _Laid, lives: pd.DataFrame, spans: pd.DataFrame) -> dict[str, Any]:
    """Return what the life, the stretch and the last stop before say of each episode, by column."""

    def own(name: str) -> Any:
        return lives[name].to_numpy()[laid.life]

    def met(name: str) -> Any:
        return spans[name].to_numpy()[laid.span]

    meter, from_miles, to_miles = own("start_meter_miles"), met("from_miles"), met("to_miles")
    entry_miles = np.where(np.isnan(from_miles), np.nan, np.fmax(from_miles - meter, own("entry_miles")))
    exit_miles = np.where(np.isnan(to_miles), np.nan, np.fmin(to_miles - meter, own("exit_miles")))
    entry_day, from_day, end_day = own("entry_day"), met("from_day"), own("end_day")
    recorded = np.where(laid.first | (entry_day >= from_day), laid.life, len(lives) + laid.span)
    columns = {
        "failed": own("failed") & laid.last,
        "lower": np.where(laid.last, own("lower"), np.nan),
        "upper": np.where(laid.last, own("upper"), np.nan),
        "entry_day": np.where(laid.first, entry_day, np.maximum(from_day, entry_day)),
        "exit_day": np.where(laid.last, end_day, np.minimum(met("to_day"), end_day)),
        "entry_miles": np.where(laid.first, own("entry_miles"), entry_miles),
        "exit_miles": np.where(laid.last, own("exit_miles"), exit_miles),
        "cups_purged_before": np.concatenate([lives["cups_purged_before"], spans["cups_purged_before"]])[recorded],
        "grease_grade_before": union_categoricals(
            [lives["grease_grade_before"].array, spans["grease_grade_before"].array]
        ).take(recorded),
    }
    columns |= {name: lives[name].array.take(laid.life) for name in _OF_LIFE}
    return columns | {name: spans[name].array.take(laid.span) for name in _OF_SPAN}


def spell_out(episodes: pd.DataFrame) -> pd.DataFrame:
    """Return episodes with their texts as objects, which equal values share, and None where there is none."""
    columns: dict[str, Any] = {}
    for name in list(episodes.columns):
        column = episodes[name].array
        if isinstance(column, pd.Categorical):
            columns[name] = np.array([*column.categories, None], dtype=object)[column.codes]
        else:
            columns[name] = column
    return pd.DataFrame(columns, copy=False)

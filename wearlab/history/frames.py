"""The tables of a History gathered from the pieces of a fleet."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from wearlab.history.episodes import lay_out, spell_out
from wearlab.history.groups import count_groups
from wearlab.history.pieces import LocalEngine, build_in_pieces, join_frames
from wearlab.history.steps import TO_LAY, Values
from wearlab.history.store import Store

EPISODE_COLUMNS = (
    "life_id", "unit_id", "position", "component", "duty_cycle", "hardware", "shop", "entry", "exit", "failed", "lower",
    "upper", "practised_miles", "practice_source", "raw_practised_miles", "gaps_behind", "entry_date", "exit_date",
    "entry_miles", "exit_miles", "cups_purged_before", "grease_grade_before", "count",
)  # fmt: skip
_BY_PIECE = ("lives", "gaps", "stops", "units", "measurements", "left_out", "meters", "class_exposure", "unplaced",
             "unit_attributes")  # fmt: skip
_ORIGINS = {"unit": 0, "position": 1, "fitting": 2, "fitted": 3}
Factors = dict[tuple[str, str], Any]


@dataclass(frozen=True, slots=True)
class Gathered:
    """What has been gathered so far: frames by name, factors by life, counts of rows that say nothing."""

    frames: dict[str, list[pd.DataFrame]] = field(default_factory=lambda: {name: [] for name in _BY_PIECE})
    episodes: list[pd.DataFrame] = field(default_factory=list)
    factors: list[tuple[int, Factors]] = field(default_factory=list)
    ignored: list[pd.DataFrame] = field(default_factory=list)


def collect_frames(
    store: Store, values: Values, progress: Callable[[str], None]
) -> tuple[dict[str, pd.DataFrame], tuple[str, ...], pd.DataFrame]:
    """Return the tables of a History by name, the names of the factors, and counts of rows without a life, by why."""
    parts = Gathered()
    joined: dict[str, pd.DataFrame] = {}

    def lives(engine: LocalEngine, mine: Values) -> None:
        for name in _BY_PIECE:
            parts.frames[name].append(engine.frame(f"{name}_frame", mine))
        first = parts.frames["lives"][-1]
        said = engine.frame("life_factor", mine)
        parts.factors.append((len(first), _spread_out(said, len(first), int(mine["lives_before"]))))
        parts.ignored.append(engine.frame("lives_ignored", mine))
        if not joined.get("plan", pd.DataFrame()).size:
            joined["plan"] = engine.frame("plan_frame", mine)
            parts.ignored.append(engine.frame("services_ignored", mine))

    def episodes(engine: LocalEngine, mine: Values) -> None:
        laid = spell_out(lay_out(*(engine.coded(name, mine) for name in TO_LAY)))
        parts.episodes.append(_date_episodes(laid))

    build_in_pieces(store, values, lives=lives, episodes=episodes, progress=progress)
    joined.update({name: join_frames(parts.frames.pop(name)) for name in _BY_PIECE})
    frames = {name: joined[name] for name in ("lives", "gaps", "stops", "units", "plan", "measurements", "meters")}
    frames["left_out"] = _in_order(joined["left_out"])
    frames["groups"] = count_groups(frames["lives"], joined["class_exposure"], frames["left_out"], joined["unplaced"])
    frames["units"] = _with_attributes(frames["units"], joined["unit_attributes"])
    frames["episodes"] = join_frames(parts.episodes)
    frames["lives"], names = _with_factors(frames["lives"], parts.factors)
    ignored = pd.concat(parts.ignored, ignore_index=True)
    return frames, names, ignored.groupby("why", sort=True)["n"].sum().reset_index()


def _in_order(left_out: pd.DataFrame) -> pd.DataFrame:
    """Return what was left out as one piece would list it: by component and class before the truck."""
    return left_out.sort_values(["component", "duty_cycle"], kind="stable", ignore_index=True)


def _date_episodes(laid: pd.DataFrame) -> pd.DataFrame:
    """Return the episodes with dates for days, each counted once."""
    days = {name: laid.pop(f"{name}_day").to_numpy().astype("datetime64[D]") for name in ("entry", "exit")}
    said = {f"{name}_date": day.astype("datetime64[us]") for name, day in days.items()} | {"count": np.ones(len(laid))}
    columns = {name: said[name] if name in said else laid.pop(name).array for name in EPISODE_COLUMNS}
    return pd.DataFrame(columns, copy=False)


def _with_attributes(units: pd.DataFrame, said: pd.DataFrame) -> pd.DataFrame:
    row = pd.Series(np.arange(len(units)), index=units["unit_id"])
    names = _own_names([("unit", name) for name in sorted(said["name"].unique())], set(units.columns))
    columns: dict[str, Any] = {}
    for (_, name), own in names.items():
        mine = said[said["name"] == name]
        columns[own] = np.full(len(units), None, dtype=object)
        columns[own][row.loc[mine["unit_id"]].to_numpy()] = mine["level"].to_numpy()
    return pd.concat([units, pd.DataFrame(columns, index=units.index)], axis=1)


def _spread_out(said: pd.DataFrame, lives: int, before: int) -> Factors:
    """Return one array of levels per factor of a piece: of two levels of one life the first."""
    columns: Factors = {}
    place = said["life_id"].to_numpy() - 1 - before
    level = said["level"].to_numpy()
    for origin, name in sorted(set(zip(said["origin"], said["name"], strict=True))):
        mine = ((said["origin"] == origin) & (said["name"] == name)).to_numpy()
        columns[origin, name] = np.full(lives, None, dtype=object)
        columns[origin, name][place[mine][::-1]] = level[mine][::-1]
    return columns


def _with_factors(lives: pd.DataFrame, parts: list[tuple[int, Factors]]) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the lives with one text column per factor, and the factors' names in a fixed order.

    An attribute of the truck keeps its own name, one of the place or of the fitting order too, unless the name is
    taken: then it is ``position_...`` or ``fitted_...``.
    """
    found = sorted({key for _, columns in parts for key in columns}, key=lambda pair: (_ORIGINS[pair[0]], pair[1]))
    names = _own_names(found, set(lives.columns))
    wide: dict[str, Any] = {}
    for pair in found:
        pieces = [columns.pop(pair, np.full(size, None, dtype=object)) for size, columns in parts]
        wide[names[pair]] = np.concatenate(pieces)
    beside = pd.DataFrame(wide, index=lives.index, columns=list(wide), dtype=object)
    return pd.concat([lives, beside], axis=1), tuple(names[pair] for pair in found)


def _own_names(found: list[tuple[str, str]], taken: set[str]) -> dict[tuple[str, str], str]:
    names: dict[tuple[str, str], str] = {}
    for origin, name in found:
        own = name
        while own in taken:
            own = f"{'fitted' if origin == 'fitting' else origin}_{own}"
        taken = taken | {own}
        names[origin, name] = own
    return names

"""Service history to lives, episodes and gaps."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import pandas as pd

from wearlab.evidence import Basis, Caution, DataError, SourceFile
from wearlab.history.config import FleetConfig
from wearlab.history.doubts import raise_doubts
from wearlab.history.meters import CARRY_ON_DAYS, HOURS_PER_DAY_LIMIT, MILES_PER_DAY_LIMIT, judge_meters
from wearlab.history.spread import average_by_class, split_spread
from wearlab.history.store import Store

EPISODE_COLUMNS = (
    "life_id", "unit_id", "position", "component", "duty_cycle", "hardware", "shop", "entry", "exit", "failed", "lower",
    "upper", "practised_miles", "practice_source", "raw_practised_miles", "gaps_behind", "entry_date", "exit_date",
    "entry_miles", "exit_miles", "cups_purged_before", "grease_grade_before", "count",
)  # fmt: skip
SCALES = ("miles", "engine_hours", "days", "joint_cycles")


@dataclass(frozen=True, slots=True)
class History:
    """A fleet's lives as tables, ready for any question; ``episodes`` and the rest are empty for a plain lives file.

    See DEVELOPERS.md, "The tables of a History", for the columns.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    config: FleetConfig
    as_of: date | None
    scale: str
    factors: tuple[str, ...]
    lives: pd.DataFrame
    episodes: pd.DataFrame
    gaps: pd.DataFrame
    stops: pd.DataFrame
    units: pd.DataFrame
    plan: pd.DataFrame
    measurements: pd.DataFrame
    left_out: pd.DataFrame
    groups: pd.DataFrame
    meters: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the counts by component and class, and what was left out of them."""
        return {"groups": self.groups, "left_out": self.left_out}


def build_history(  # noqa: PLR0913 - each changes what a life is, and none may have a hidden value
    store: Store,
    config: FleetConfig,
    *,
    source: str,
    files: tuple[SourceFile, ...],
    as_of: date | None,
    scale: str | None,
    level: float,
    today: date,
    unknown_as_failure: bool = False,
    leave_out_first_gap: bool = False,
    known_then: bool = False,
    progress: Callable[[str], None],
) -> History:
    """Return the lives, episodes, gaps and meters of the fleet in ``store`` as seen on ``as_of``.

    ``as_of`` None: that of ``config``, else the last date any row speaks of up to ``today``. Rows dated later do not
    take part; with ``known_then`` neither do services posted later. ``unknown_as_failure`` reads replacements without
    a known reason as failures. ``leave_out_first_gap`` drops the episodes before a truck's first counted gap, so that
    its lives enter late. Refuses (DataError) a fleet without ``records_from``, an ``as_of`` before it or after
    ``today``, and an unknown scale.
    """
    day = _settle_as_of(store, config, as_of, today)
    chosen = _settle_scale(config, scale)
    settings = _Settings(config, day, chosen, unknown_as_failure, known_then)
    progress("judging meters")
    _judge(store, settings)
    progress("building lives")
    _place_lives(store, settings)
    progress("working out practice")
    _place_practice(store, settings)
    frames = _collect(store, settings)
    lives, factors = _with_factors(frames["lives"], store.frame("life_factor"))
    cautions = raise_doubts(
        frames,
        store.frame("lives_ignored", {"as_of": day}),
        files,
        as_of=day,
        unknown_as_failure=unknown_as_failure,
        leave_out_first_gap=leave_out_first_gap,
    )
    if leave_out_first_gap:
        known = ~frames["episodes"]["practice_source"].isin(["plan", "class"])
        frames["episodes"] = frames["episodes"].loc[known].reset_index(drop=True)
    basis = Basis(source, files, day, chosen, level, (), len(lives), int(lives["failed"].sum()))
    frames["lives"] = lives
    return History(basis, cautions, config, day, chosen, factors, **frames)


@dataclass(frozen=True, slots=True)
class _Settings:
    config: FleetConfig
    as_of: date
    scale: str
    unknown_as_failure: bool
    known_then: bool


def _settle_as_of(store: Store, config: FleetConfig, as_of: date | None, today: date) -> date:
    if config.records_from is None:
        raise DataError(
            "records-from-missing",
            "fleet.toml does not say from which day the history is complete",
            "add records_from = YYYY-MM-DD",
            "fleet.toml",
            column="records_from",
        )
    day = as_of or config.as_of or _last_seen(store, today)
    if day > today:
        raise DataError(
            "as-of-in-future", f"as_of {day} lies after the day of the run, {today}", "give a day up to today"
        )
    if day < config.records_from:
        raise DataError(
            "as-of-before-records",
            f"as_of {day} lies before records_from {config.records_from}: no history is complete by then",
            "give a later as_of, or correct records_from in fleet.toml",
        )
    return day


def _last_seen(store: Store, today: date) -> date:
    last = store.frame("last_seen", {"today": today})["date"].iloc[0]
    if pd.isna(last):
        raise DataError("no-history", "the store holds no rows", "load a fleet folder first")
    return pd.Timestamp(last).date()


def _settle_scale(config: FleetConfig, scale: str | None) -> str:
    chosen = scale or config.scale
    if chosen not in SCALES:
        raise DataError("scale-unknown", f"no life scale is called {chosen}", f"choose one of {', '.join(SCALES)}")
    return chosen


def _judge(store: Store, settings: _Settings) -> None:
    day = {"as_of": settings.as_of}
    store.run("to_scale")
    store.run("at_least_zero")
    store.run("unit_now", {**day, "records_from": settings.config.records_from})
    store.run("position_now", day)
    store.run("service_now", {**day, "known_then": settings.known_then})
    store.run("reading_now", day)
    store.run("duty_now", day)
    store.run("plan_now", day)
    store.run("measurement_now", day)
    store.run("unit_seen")
    store.run("meter_seen")
    for meter, limit in (("miles", MILES_PER_DAY_LIMIT), ("hours", HOURS_PER_DAY_LIMIT)):
        judged = judge_meters(store.frame(f"{meter}_to_judge"), limit_per_day=limit)
        _hand_over(store, f"{meter}_judged", "judged_frame", judged.astype({"reason": "string"}))
        store.run(f"{meter}_track")
    store.run("meter_rates")
    store.run("dated", {**day, "carry_on_days": CARRY_ON_DAYS})


def _hand_over(store: Store, statement: str, name: str, frame: pd.DataFrame) -> None:
    """Run a statement that reads a frame under ``name``."""
    store.connection.register(name, frame)
    try:
        store.run(statement)
    finally:
        store.connection.unregister(name)


def _place_lives(store: Store, settings: _Settings) -> None:
    scale = {"scale": settings.scale}
    config = settings.config
    store.run("service_metered")
    store.run("replace_order", {"unknown_as_failure": settings.unknown_as_failure})
    store.run("replace_event", {"same_event_days": config.same_event_days, "same_event_miles": config.same_event_miles})
    store.run("unplaced_order")
    store.run("unit_end", {**scale, "as_of": settings.as_of})
    store.run("part_start")
    store.run("segment")
    store.run("look")
    store.run("life_timed", scale)
    store.run("life_looked")
    store.run("life_greased")
    store.run("life", scale)
    store.run("left_out")


def _place_practice(store: Store, settings: _Settings) -> None:
    scale = {"scale": settings.scale}
    store.run("truck_shop")
    store.run("stop", scale)
    store.run("era", scale)
    store.run("gap", {"records_from": settings.config.records_from})
    counted = store.frame("gap_counted")
    spread = split_spread(counted)
    _hand_over(store, "practice_class", "practice_class_frame", average_by_class(counted))
    store.run("practice", {"var_gap": spread.gap, "var_local": spread.local, "var_truck": spread.truck})
    store.run("span", scale)
    store.run("stop_record")
    store.run("episode")


def _collect(store: Store, settings: _Settings) -> dict[str, pd.DataFrame]:
    frames = {
        "lives": store.frame("lives_frame"),
        "gaps": store.frame("gaps_frame"),
        "stops": store.frame("stops_frame"),
        "units": _with_attributes(
            store.frame("units_frame", {"as_of": settings.as_of}), store.frame("unit_attributes_frame")
        ),
        "plan": store.frame("plan_frame"),
        "measurements": store.frame("measurements_frame"),
        "left_out": store.frame("left_out_frame"),
        "meters": store.frame("meters_frame"),
    }
    frames["episodes"] = _name_episodes(store.frame("episodes_frame"), frames["lives"], frames["units"])
    exposure = store.frame("class_exposure_frame", {"scale": settings.scale})
    frames["groups"] = count_groups(frames["lives"], exposure, frames["left_out"], store.frame("unplaced_frame"))
    return frames


def _name_episodes(episodes: pd.DataFrame, lives: pd.DataFrame, units: pd.DataFrame) -> pd.DataFrame:
    """Return the episodes with what their life and truck say: taken over by place, which shares the texts."""
    life = episodes["life_id"].to_numpy() - 1
    unit = episodes["unit_no"].to_numpy() - 1
    said = {name: lives[name].to_numpy()[life] for name in ("unit_id", "position", "component", "hardware", "count")}
    said["shop"] = units["shop"].to_numpy()[unit]
    columns = {name: said[name] if name in said else episodes.pop(name).to_numpy() for name in EPISODE_COLUMNS}
    return pd.DataFrame(columns, copy=False)


def count_groups(
    lives: pd.DataFrame, exposure: pd.DataFrame, left_out: pd.DataFrame, unplaced: pd.DataFrame
) -> pd.DataFrame:
    """Return lives, failures, exposure and what was left out by component and duty cycle.

    A life is counted in the duty cycle at its end, ``exposure`` in the class in which it was gathered;
    ``position_unknown`` counts the replacement orders without a position, ``age_unknown`` the parts.
    """
    keys = ["component", "duty_cycle"]
    facts = lives.assign(
        lives=lives["count"],
        failures=lives["count"] * lives["failed"],
        entered_late=lives["count"] * (lives["entry"] > 0),
        zero_length=lives["count"] * (lives["exit"] == lives["entry"]),
        unknown_endings=lives["count"] * lives["unknown_ending"].astype(bool),
    )
    counted = ["lives", "failures", "entered_late", "zero_length", "unknown_endings"]
    age_unknown = left_out.loc[left_out["reason"] == "age_unknown"]
    parts = [
        facts.groupby(keys, dropna=False, sort=True)[counted].sum(),
        exposure.groupby(keys, dropna=False, sort=True)[["exposure"]].sum(),
        age_unknown.groupby(keys, dropna=False, sort=True)[["lives"]].sum().rename(columns={"lives": "age_unknown"}),
        unplaced.groupby(keys, dropna=False, sort=True)[["orders"]]
        .sum()
        .rename(columns={"orders": "position_unknown"}),
    ]
    groups = pd.concat(parts, axis=1).fillna(0.0).sort_index()
    groups["suspensions"] = groups["lives"] - groups["failures"]
    order = [
        "lives",
        "failures",
        "suspensions",
        "entered_late",
        "age_unknown",
        "position_unknown",
        "zero_length",
        "unknown_endings",
    ]
    if (groups[order] % 1 == 0).all(axis=None):
        groups[order] = groups[order].astype("int64")
    return groups[[*order, "exposure"]].reset_index()


def _with_attributes(units: pd.DataFrame, said: pd.DataFrame) -> pd.DataFrame:
    wide = said.pivot_table(index="unit_id", columns="name", values="level", aggfunc="first")
    names = _own_names([("unit", name) for name in wide.columns], set(units.columns))
    wide.columns = pd.Index([names["unit", name] for name in wide.columns])
    return _beside(units, wide, "unit_id")


def _with_factors(lives: pd.DataFrame, said: pd.DataFrame) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the lives with one text column per factor, and the factors' names in a fixed order.

    An attribute of the truck keeps its own name, one of the place or of the fitting order too, unless the name is
    taken: then it is ``position_...`` or ``fitted_...``.
    """
    rank = {"unit": 0, "position": 1, "fitting": 2, "fitted": 3}
    found = sorted(set(zip(said["origin"], said["name"], strict=True)), key=lambda pair: (rank[pair[0]], pair[1]))
    names = _own_names(found, set(lives.columns))
    factor = [names[pair] for pair in zip(said["origin"], said["name"], strict=True)]
    wide = said.assign(factor=factor).pivot_table(index="life_id", columns="factor", values="level", aggfunc="first")
    order = tuple(names[pair] for pair in found)
    return _beside(lives, wide.reindex(columns=list(order)), "life_id"), order


def _own_names(found: list[tuple[str, str]], taken: set[str]) -> dict[tuple[str, str], str]:
    names: dict[tuple[str, str], str] = {}
    for origin, name in found:
        own = name
        while own in taken:
            own = f"{'fitted' if origin == 'fitting' else origin}_{own}"
        taken = taken | {own}
        names[origin, name] = own
    return names


def _beside(frame: pd.DataFrame, wide: pd.DataFrame, key: str) -> pd.DataFrame:
    aligned = wide.reindex(frame[key]).astype(object).reset_index(drop=True)
    aligned[aligned.isna()] = None
    return pd.concat([frame, aligned], axis=1)

"""Lives and episodes of a History as stretches of exposure, in a fixed order whatever the order of the rows."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearlab.curves.expected import Bools, Floats, Spans
from wearlab.curves.expected_practice import practice_effects, relative_hazards
from wearlab.history.lives import History

_FIRST_DAYS = 30  # a part fitted so soon after a truck went into service is its first


@dataclass(frozen=True, slots=True)
class ComponentSpans:
    """The exposure of one component: its stretches, the names behind the codes, and one row per life.

    ``spans.stratum`` points into ``classes``, ``spans.unit`` into ``units``, ``spans.life`` at the rows of ``lives``
    (the History's columns, index 0 to n - 1). ``theta`` is the effect of practice on the log hazard by class, already
    in ``spans.relative`` (0 where nothing is known of it).
    """

    component: str | None
    spans: Spans
    classes: tuple[str | None, ...]
    units: tuple[str, ...]
    lives: pd.DataFrame
    theta: tuple[float, ...]


def read_components(history: History) -> tuple[ComponentSpans, ...]:
    """Return the exposure of each component that has lives to fit, by component in alphabetical order.

    A failure found at inspection is placed midway between the last look that found the part good and this one.
    Exposure is split at changes of duty cycle where the history has episodes.
    """
    lives = history.lives[history.lives["fittable"].astype(bool)]
    if not len(lives):
        return ()
    lives = lives.assign(unit_id=_unit_names(lives))
    lives = _in_order(lives)
    names = lives["component"]
    kinds: list[str | None] = [*sorted(str(name) for name in names.dropna().unique())]
    if names.isna().any():
        kinds.append(None)
    out = []
    for kind in kinds:
        mine = lives[names.isna() if kind is None else names == kind].reset_index(drop=True)
        out.append(_component(kind, mine, history.episodes))
    return tuple(out)


def split_by_origin(part: ComponentSpans, units: pd.DataFrame) -> ComponentSpans:
    """Return the same exposure with first parts and replacements in classes of their own.

    A replacement is a part after another one in the record, or fitted more than 30 days after its truck went into
    service. ``classes`` then holds each class twice, first parts before replacements.
    """
    lives = part.lives
    later = lives["life_number"].to_numpy(np.float64) > 1
    if len(units):
        began = pd.to_datetime(lives["unit_id"].map(_in_service(units)))
        later |= ((pd.to_datetime(lives["start_date"]) - began).dt.days > _FIRST_DAYS).to_numpy(bool)
    stratum = 2 * part.spans.stratum + later[part.spans.life].astype(np.int64)
    return replace(
        part,
        spans=replace(part.spans, stratum=stratum),
        classes=tuple(name for name in part.classes for _ in range(2)),
        theta=tuple(effect for effect in part.theta for _ in range(2)),
    )


def _in_service(units: pd.DataFrame) -> pd.Series:
    return pd.Series(units["in_service_date"].to_numpy(), index=units["unit_id"].astype(str).to_numpy())


def _unit_names(lives: pd.DataFrame) -> pd.Series:
    """Return the truck of each life as text; a life of no known truck stands for itself."""
    named = lives["unit_id"].astype(object)
    alone = "row " + lives["life_id"].astype(str)
    return named.where(named.notna(), alone).astype(str)


def _in_order(lives: pd.DataFrame) -> pd.DataFrame:
    keys = ["component", "duty_cycle", "unit_id", "position", "entry", "exit", "failed"]
    order = pd.DataFrame({key: lives[key].astype(object).where(lives[key].notna(), "") for key in keys[:4]})
    order = order.astype(str)
    for key in keys[4:]:
        order[key] = lives[key].astype(float)
    order["start"] = lives["start_date"].astype(str)
    sequence = order.sort_values([*keys, "start"], kind="stable").index
    return lives.loc[sequence]


def _component(kind: str | None, lives: pd.DataFrame, episodes: pd.DataFrame) -> ComponentSpans:
    stretches = _stretches(lives, episodes)
    duty = stretches["duty_cycle"].astype(object)
    duty = duty.where(duty.notna(), "").astype(str)
    classes, stratum = np.unique(duty.to_numpy(dtype=str), return_inverse=True)
    units, unit = np.unique(lives["unit_id"].to_numpy(dtype=str), return_inverse=True)
    life = stretches["life"].to_numpy(np.int64)
    entry, end, failed = _ages(stretches)
    count = lives["count"].to_numpy(np.float64)
    spans = Spans(
        stratum=stratum.astype(np.int64),
        unit=unit.astype(np.int64)[life],
        life=life,
        entry=entry,
        exit=end,
        failed=failed,
        weight=np.where(np.isfinite(count), count, 1.0)[life],
        relative=np.ones(len(life)),
    )
    practice = _log_practice(stretches)
    theta = practice_effects(spans, practice, len(classes))
    spans = replace(spans, relative=relative_hazards(spans, practice, theta))
    names = tuple(str(name) or None for name in classes)
    effects = tuple(float(each) for each in theta)
    return ComponentSpans(kind, spans, names, tuple(str(name) for name in units), lives, effects)


def _log_practice(stretches: pd.DataFrame) -> Floats:
    """Return ln miles per regrease stop by stretch, NaN where it is not known or the part takes no grease."""
    miles = stretches["practised_miles"].to_numpy(np.float64)
    takes_grease = ~stretches["hardware"].isin(("sealed", "extended_interval")).to_numpy(bool)
    known = takes_grease & np.isfinite(miles) & (miles > 0)
    out: Floats = np.where(known, np.log(np.where(known, miles, 1.0)), np.nan)
    return out


def _stretches(lives: pd.DataFrame, episodes: pd.DataFrame) -> pd.DataFrame:
    """Return one row per stretch: the episodes of these lives where there are any, else the lives themselves."""
    columns = ["duty_cycle", "entry", "exit", "failed", "lower", "upper", "hardware"]
    place = pd.Series(np.arange(len(lives)), index=lives["life_id"].to_numpy())
    whole = lives[columns].assign(practised_miles=np.nan, life=np.arange(len(lives)))
    if not len(episodes):
        return whole
    mine = episodes[episodes["life_id"].isin(place.index) & (episodes["exit"] > episodes["entry"])]
    split = mine[[*columns, "practised_miles"]].assign(life=place.loc[mine["life_id"].to_numpy()].to_numpy())
    without = whole[~whole["life"].isin(split["life"])]
    both = pd.concat([split, without]) if len(without) else split
    return both.sort_values(["life", "entry"], kind="stable").reset_index(drop=True)


def _ages(stretches: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, Bools]:
    entry = stretches["entry"].to_numpy(np.float64)
    end = stretches["exit"].to_numpy(np.float64)
    failed = stretches["failed"].to_numpy(bool)
    lower = stretches["lower"].to_numpy(np.float64)
    upper = stretches["upper"].to_numpy(np.float64)
    between = failed & np.isfinite(lower) & np.isfinite(upper) & (upper > lower)
    middle = (np.maximum(lower, entry) + np.minimum(upper, end)) / 2.0
    return entry, np.where(between & (middle > entry), middle, end), failed

"""The install audit: what was recorded at fitting against its limits, by shop and crew, and what it does to life."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import betaincinv

from wearlab.answers.cluster_exposure import Studied
from wearlab.curves.expected import Bools, Floats, Ints
from wearlab.curves.expected_counts import rate_ratio
from wearlab.history.lives import History

AUDIT = ["check", "limit", "source", "component", "shop", "crew", "fitted", "nonconforming", "share", "low", "high"]
EFFECT = ["check", "component", "fitted_right", "fitted_wrong", "observed_wrong", "expected_wrong"]
EFFECT_MORE = ["times", "times_low", "times_high", "p_value"]

_NEAR_DAYS = 7  # a measurement or a greasing this close to the fitting belongs to it
_STRIDE = 1_000_000  # days: one number for a truck or place and a day
_COMMON = "common practice, no source; the maker's figure comes first"
_NO = {"no", "false", "0", "n"}


@dataclass(frozen=True, slots=True)
class Limit:
    """Least and greatest value of one measured quantity, with where they stand."""

    low: float
    high: float
    unit: str
    source: str


EXAMPLES = {
    "tube_runout": Limit(-np.inf, 0.015, "in", _COMMON),
    "cup_height": Limit(0.199, 0.229, "in", _COMMON),
    "bolt_torque": Limit(25.0, 30.0, "lb-ft", _COMMON),
}
"""Limits of one common heavy size, used where fleet.toml gives none."""

CHECKS = ("bolts_renewed", "phasing_marked")


@dataclass(frozen=True, slots=True)
class _Check:
    """One check of one component: which lives were checked at fitting and which of them did not conform."""

    one: Studied
    name: str
    limit: str
    source: str
    checked: Bools
    wrong: Bools


def audit_fittings(history: History, studied: list[Studied], level: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the nonconforming share by shop and crew, and the failures of nonconforming fittings against the rest.

    Measurements within seven days of a fitting against the limits of fleet.toml (a greatest value), else the shipped
    examples; cups purged at the first greasing within seven days (all four); bolts renewed and phasing marked where the
    orders say so. Share with its exact interval (Clopper & Pearson 1934). ``times`` is observed over expected of the
    nonconforming over that of the conforming, exact interval, ages and classes allowed for.
    """
    checks = [check for one in studied for check in _checks(history, one)]
    audit = [row for check in checks for row in _by_shop(check, level)]
    effect = [_effect(check, level) for check in checks if check.wrong.any()]
    return pd.DataFrame(audit, columns=AUDIT), pd.DataFrame(effect, columns=[*EFFECT, *EFFECT_MORE])


def _checks(history: History, one: Studied) -> Iterator[_Check]:
    lives = one.part.lives
    for quantity, limit in _limits(history).items():
        value = _measured(history.measurements, lives, quantity, limit.unit)
        checked = np.isfinite(value)
        if checked.any():
            wrong = checked & ((value < limit.low) | (value > limit.high))
            yield _Check(one, quantity, _limit_text(limit), limit.source, checked, wrong)
    cups = _cups(history.stops, lives)
    if np.isfinite(cups).any():
        yield _Check(one, "cups_purged", "4 cups", _COMMON, np.isfinite(cups), np.isfinite(cups) & (cups < 4))
    for name in CHECKS:
        if name in lives:
            said = lives[name].notna().to_numpy(bool)
            wrong = said & lives[name].astype(str).str.strip().str.lower().isin(_NO).to_numpy(bool)
            if said.any():
                yield _Check(one, name, "yes", _COMMON, said, wrong)


def _limits(history: History) -> dict[str, Limit]:
    own = {
        quantity: Limit(-np.inf, limit.value, limit.unit, limit.source)
        for quantity, limit in history.config.limits.wear.items()
        if quantity not in ("joint_play", "spline_backlash")  # wear, not fitting
    }
    return {**EXAMPLES, **own}


def _limit_text(limit: Limit) -> str:
    least = f"{limit.low:g} to " if np.isfinite(limit.low) else "at most "
    return f"{least}{limit.high:g} {limit.unit}"


def _measured(measurements: pd.DataFrame, lives: pd.DataFrame, quantity: str, unit: str) -> Floats:
    """Return the first value measured within seven days of each fitting, NaN where there is none in this unit."""
    out = np.full(len(lives), np.nan)
    if not len(measurements):
        return out
    mine = measurements[(measurements["quantity"] == quantity) & (measurements["unit"] == unit)]
    found = mine["unit_id"].astype(str) + "\n" + mine["position"].astype(str)
    places = lives["unit_id"].astype(str) + "\n" + lives["position"].astype(str)
    return _first_near(found, mine["date"], mine["value"], places, lives)


def _cups(stops: pd.DataFrame, lives: pd.DataFrame) -> Floats:
    """Return the cups purged at the truck's first greasing within seven days of each fitting, NaN where not known."""
    out = np.full(len(lives), np.nan)
    if not len(stops) or not len(lives) or lives["component"].iloc[0] != "joint":
        return out
    known = stops[stops["cups_purged"].notna()]
    return _first_near(known["unit_id"], known["date"], known["cups_purged"], lives["unit_id"], lives)


def _first_near(found: pd.Series, days: pd.Series, values: pd.Series, keys: pd.Series, lives: pd.DataFrame) -> Floats:
    """Return the first value of each life's key from the day of fitting on, NaN where none comes within seven days."""
    named = pd.Index(keys.astype(str).unique())
    place = named.get_indexer(pd.Index(found.astype(str)))
    mine = place >= 0
    if not mine.any():
        return np.full(len(lives), np.nan)
    at = place[mine] * _STRIDE + _day_numbers(days)[mine]
    order = np.argsort(at, kind="stable")
    at, value = at[order], values.to_numpy(np.float64)[mine][order]
    start = named.get_indexer(pd.Index(keys.astype(str))) * _STRIDE + _day_numbers(lives["start_date"])
    nearest = np.minimum(np.searchsorted(at, start), len(at) - 1)
    ahead = at[nearest] - start
    near = lives["start_date"].notna().to_numpy() & (ahead >= 0) & (ahead <= _NEAR_DAYS)
    return np.asarray(np.where(near, value[nearest], np.nan), dtype=np.float64)


def _day_numbers(days: pd.Series) -> Ints:
    return days.to_numpy("datetime64[D]").astype(np.int64)


def _by_shop(check: _Check, level: float) -> Iterator[dict[str, object]]:
    lives = check.one.part.lives
    names = [name for name in ("shop", "crew") if name in lives]
    frame = lives[names].assign(wrong=check.wrong)[check.checked]
    for name in ("shop", "crew"):
        if name not in frame:
            frame[name] = None
    frame[["shop", "crew"]] = frame[["shop", "crew"]].fillna("not recorded")
    for (shop, crew), group in frame.groupby(["shop", "crew"], sort=True):
        fitted, wrong = len(group), int(group["wrong"].sum())
        low, high = _share_interval(wrong, fitted, level)
        yield {
            "check": check.name,
            "limit": check.limit,
            "source": check.source,
            "component": check.one.part.component,
            "shop": shop,
            "crew": crew,
            "fitted": fitted,
            "nonconforming": wrong,
            "share": wrong / fitted,
            "low": low,
            "high": high,
        }


def _share_interval(count: int, of: int, level: float) -> tuple[float, float]:
    tail = (1.0 - level) / 2.0
    low = float(betaincinv(count, of - count + 1, tail)) if count else 0.0
    high = float(betaincinv(count + 1, of - count, 1.0 - tail)) if count < of else 1.0
    return low, high


def _effect(check: _Check, level: float) -> dict[str, object]:
    spans, hazard = check.one.part.spans, check.one.hazard
    right = (check.checked & ~check.wrong)[spans.life]
    wrong = check.wrong[spans.life]
    failed = np.where(spans.failed, spans.weight, 0.0)
    observed = float(failed[wrong].sum()), float(failed[right].sum())
    expected = float(hazard[wrong].sum()), float(hazard[right].sum())
    times = rate_ratio(observed, expected, level) if min(expected) > 0 else {}
    found = {name: times.get(name, np.nan) for name in ("ratio", "low", "high", "p_two_sided")}
    finite = {name: value if np.isfinite(value) else np.nan for name, value in found.items()}
    return {
        "check": check.name,
        "component": check.one.part.component,
        "fitted_right": int((check.checked & ~check.wrong).sum()),
        "fitted_wrong": int(check.wrong.sum()),
        "observed_wrong": observed[0],
        "expected_wrong": expected[0],
        "times": finite["ratio"],
        "times_low": finite["low"],
        "times_high": finite["high"],
        "p_value": finite["p_two_sided"],
    }

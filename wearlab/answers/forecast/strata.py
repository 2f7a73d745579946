"""Every stratum of a forecast: its lives and their practice, its curve, and the outlook of its places."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearlab.answers.forecast.before import Before, look_before
from wearlab.answers.forecast.component import fit_component
from wearlab.answers.forecast.hardware import Hardware, learn_hardware
from wearlab.answers.forecast.model import Stratum, make_stratum, plain_values
from wearlab.answers.forecast.outlook import Known, Outlook, Reach, foresee_file, foresee_fleet, share_usage
from wearlab.answers.forecast.places import Places, Span, as_lives, fittable_lives, on_road
from wearlab.answers.forecast.practice import NO_EFFECT, Effect, learn_practice, list_stretches, present_practice
from wearlab.answers.forecast.removal import learn_removals, steady_removals
from wearlab.history.lives import History

Progress = Callable[[str], None]

FEWEST_FAILURES = 3
FRAILTY_FAILURES = 20
MOST_DRAWS, FEWEST_DRAWS, DRAWS_BUDGET = 4000, 400, 2e7


def foresee_places(
    history: History,
    places: Places,
    span: Span,
    intervals: Mapping[str, float],
    *,
    level: float,
    seed: int,
    progress: Progress,
) -> list[Outlook]:
    """Return the outlook of every component and duty cycle that has lives to learn from.

    ``intervals``: miles per regrease stop to take for a class instead of what its trucks practise now.
    """
    lives = fittable_lives(history)
    draws = int(np.clip(DRAWS_BUDGET // len(places.table), FEWEST_DRAWS, MOST_DRAWS))
    strata = len(places.table.groupby(["component", "duty_cycle"]))
    seeds = iter(np.random.default_rng(seed).spawn(1 + 2 * strata))
    reach = Reach(span, places.calendar, places.leaving, share_usage(places, draws, next(seeds)), draws)
    outlooks: list[Outlook] = []
    for component, here in places.table.groupby("component", sort=True):
        progress(f"forecasting {component!s}" if component else "forecasting")
        known = lives[lives["component"] == component]
        if not known.empty:
            outlooks += _foresee(history, known, here, reach, intervals=intervals, seeds=seeds, level=level)
    return outlooks


def _foresee(
    history: History,
    lives: pd.DataFrame,
    here: pd.DataFrame,
    reach: Reach,
    *,
    intervals: Mapping[str, float],
    seeds: Iterator[np.random.Generator],
    level: float,
) -> list[Outlook]:
    """Return the outlooks of one component, by duty cycle."""
    is_file = history.as_of is None
    component = str(here["component"].iloc[0])
    age = float(np.exp(np.log(lives["exit"]).mean()))
    effects = learn_practice(history, component, level)
    rows = list_stretches(history, component, effects)
    before = look_before(history, rows)
    rows = rows.assign(late=before.late, run=before.run)
    hardware = Hardware() if is_file else learn_hardware(rows)
    if hardware.effects:
        rows = rows.assign(pressure=rows["pressure"] * hardware.pressure(rows["hardware"]))
    duties = sorted({*rows["duty_cycle"], *here["duty_cycle"]})
    found = _Found(rows, lives, here, age, hardware, is_file)
    known = {duty: _know(found, duty, effects.get(duty, NO_EFFECT)) for duty in duties}
    pooled = _as_stratum(rows, _trucks(rows), age, is_file)
    now = pd.Series(present_practice(history, here), index=here.index)
    practised = here.assign(practised=here["duty_cycle"].map(intervals).astype(float).fillna(now))
    curves = fit_component(
        {duty: one.stratum for duty, one in known.items()},
        pooled,
        enough=1 if is_file else FEWEST_FAILURES,
        frailty=not is_file and pooled.failures >= FRAILTY_FAILURES and _repeats(lives),
        draws=reach.draws,
        rng=next(seeds),
    )
    outlooks = []
    for duty, places in practised.groupby("duty_cycle", sort=True):
        key, curve, one = (component, str(duty)), curves[str(duty)], known[str(duty)]
        if is_file:
            outlooks.append(foresee_file(key, places, curve, one, rng=next(seeds)))
            continue
        own = lives[lives["duty_cycle"] == duty]
        made = foresee_fleet(key, places, curve, one, reach=reach, rng=next(seeds))
        outlooks.append(replace(made, on_road=on_road(own)))
    return outlooks


def _trucks(*tables: pd.DataFrame) -> pd.Index:
    return pd.Index(sorted({str(unit) for table in tables for unit in table["unit_id"]}))


def _as_stratum(rows: pd.DataFrame, trucks: pd.Index, age: float, is_file: bool) -> Stratum:
    lives = as_lives(rows, trucks, between=is_file)
    pressure, late = (rows[name].to_numpy(dtype=float) for name in ("pressure", "late"))
    bare = make_stratum(lives, age, pressure=pressure, late=late)
    plain = plain_values(bare) if late.any() else None
    if plain is None:
        return bare
    before = Before(late, rows["run"].to_numpy(dtype=float) / age)
    return replace(bare, told=before.powers(plain[0], float(np.exp(-plain[1] / plain[0]))))


@dataclass(frozen=True, slots=True)
class _Found:
    """What is known of one component: its stretches, its lives, its places ahead, its unit of age, its hardware."""

    rows: pd.DataFrame
    lives: pd.DataFrame
    here: pd.DataFrame
    age: float
    hardware: Hardware
    is_file: bool


def _know(found: _Found, duty: str, effect: Effect) -> Known:
    own = found.rows[found.rows["duty_cycle"] == duty]
    lives = found.lives[found.lives["duty_cycle"] == duty]
    trucks = _trucks(own, lives, found.here[found.here["duty_cycle"] == duty])
    stratum = _as_stratum(own, trucks, found.age, found.is_file)
    logs = np.log(own["practised"].to_numpy(dtype=float))
    weight = np.where(np.isfinite(logs), stratum.pressure * (stratum.lives.exit**2 - stratum.lives.entry**2), 0.0)
    usual = float((np.nan_to_num(logs) * weight).sum() / weight.sum()) if weight.sum() > 0 else 0.0
    removals = steady_removals(0.0, len(trucks)) if found.is_file else learn_removals(lives, trucks, found.age)
    return Known(stratum, trucks, effect, usual, found.hardware, removals)


def _repeats(lives: pd.DataFrame) -> bool:
    """Return whether trucks have more than one life each, so that they can be told from chance."""
    return bool(len(lives) >= 1.5 * lives["unit_id"].nunique())

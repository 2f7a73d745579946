"""What will fail: for each part in service the chance of failure over the miles ahead, and the sums with intervals."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearlab.answers.forecast.component import fit_component
from wearlab.answers.forecast.model import Stratum, make_stratum
from wearlab.answers.forecast.outlook import Known, Outlook, Reach, foresee_file, foresee_fleet, share_usage
from wearlab.answers.forecast.places import Places, Span, as_lives, find_places, fittable_lives, removal_rate
from wearlab.answers.forecast.practice import NO_EFFECT, Effect, learn_practice, list_stretches, present_practice
from wearlab.answers.forecast.sums import (
    list_curves,
    name_group,
    sum_months,
    sum_parts,
    sum_shops,
    sum_totals,
    sum_units,
)
from wearlab.evidence import SAFETY, Basis, Caution, Unanswered, add_cautions
from wearlab.history.lives import History

Progress = Callable[[str], None]

FEWEST_FAILURES = 3
FRAILTY_FAILURES = 20
MOST_DRAWS, FEWEST_DRAWS, DRAWS_BUDGET = 4000, 400, 2e7


@dataclass(frozen=True, slots=True)
class Forecast:
    """Failures to count on: sums by component and duty cycle, parts, months, shops, and each part in service.

    ``expected`` is computed at the fitted values; ``low`` and ``high`` hold chance, truck frailty, usage and the doubt
    about the curve together, ``chance_low`` and ``chance_high`` chance and frailty alone.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    totals: pd.DataFrame
    parts: pd.DataFrame
    units: pd.DataFrame
    by_month: pd.DataFrame
    by_group_month: pd.DataFrame
    by_shop: pd.DataFrame
    curves: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {
            "totals": self.totals,
            "parts": self.parts,
            "units": self.units,
            "by_month": self.by_month,
            "by_group_month": self.by_group_month,
            "by_shop": self.by_shop,
            "curves": self.curves,
        }


def forecast_failures(
    history: History, *, months: int | None, ahead: float | None, level: float, seed: int, progress: Progress
) -> Forecast | Unanswered:
    """Return the failures to count on over ``months`` at each truck's own rate, or over ``ahead`` units of the scale.

    For a fleet the parts on trucks in service; a replaced part can fail again; trucks may leave service at the rate of
    the last two years. For a lives file every suspended life still runs, and ``expected`` is the sum of the conditional
    failure probabilities at the maximum-likelihood values. Unanswered: no lives, no part in service, or no reach.
    """
    is_file = history.as_of is None
    if (ahead is None and (is_file or not months)) or (ahead is not None and ahead <= 0):
        return _unanswered(
            history, "no-reach", "how far to look ahead is not given", "give --months or --ahead above 0"
        )
    span = Span(int(months or 1) if ahead is None else 1, ahead)
    places = find_places(history, span)
    lives = fittable_lives(history)
    if places.table.empty or lives.empty:
        return _unanswered(history, "nothing-in-service", "there is no part in service to forecast", "check the lives")
    draws = int(np.clip(DRAWS_BUDGET // len(places.table), FEWEST_DRAWS, MOST_DRAWS))
    seeds = iter(np.random.default_rng(seed).spawn(1 + 3 * lives["component"].nunique() + len(places.table)))
    reach = Reach(span, places.leaving, share_usage(places, draws, next(seeds)))
    outlooks: list[Outlook] = []
    for component, here in places.table.groupby("component", sort=True):
        progress(f"forecasting {component!s}" if component else "forecasting")
        known = lives[lives["component"] == component]
        if not known.empty:
            outlooks += _foresee(history, known, here, reach, draws, seeds, level)
    if not outlooks:
        return _unanswered(history, "no-lives", "no part in service has lives of its kind to learn from", "check lives")
    return _assemble(history, places, outlooks, span, level)


def _foresee(
    history: History,
    lives: pd.DataFrame,
    here: pd.DataFrame,
    reach: Reach,
    draws: int,
    seeds: Iterator[np.random.Generator],
    level: float,
) -> list[Outlook]:
    """Return the outlooks of one component, by duty cycle."""
    is_file = history.as_of is None
    component = str(here["component"].iloc[0])
    age = float(np.exp(np.log(lives["exit"]).mean()))
    effects = learn_practice(history, component, level)
    rows = list_stretches(history, component, effects)
    duties = sorted({*rows["duty_cycle"], *here["duty_cycle"]})
    known = {duty: _know(rows, here, duty, age, effects.get(duty, NO_EFFECT), is_file) for duty in duties}
    pooled = _as_stratum(rows, _trucks(rows), age, is_file)
    practised = here.assign(practised=present_practice(history, here))
    curves = fit_component(
        {duty: one.stratum for duty, one in known.items()},
        pooled,
        enough=1 if is_file else FEWEST_FAILURES,
        frailty=not is_file and pooled.failures >= FRAILTY_FAILURES and _repeats(lives),
        draws=draws,
        rng=next(seeds),
    )
    outlooks = []
    for duty, places in practised.groupby("duty_cycle", sort=True):
        key, curve, one = (component, str(duty)), curves[str(duty)], known[str(duty)]
        if is_file:
            outlooks.append(foresee_file(key, places, curve, one, rng=next(seeds)))
            continue
        removal = removal_rate(lives[lives["duty_cycle"] == duty])
        outlooks.append(foresee_fleet(key, places, curve, one, reach=reach, removal=removal, rng=next(seeds)))
    return outlooks


def _trucks(*tables: pd.DataFrame) -> pd.Index:
    return pd.Index(sorted({str(unit) for table in tables for unit in table["unit_id"]}))


def _as_stratum(rows: pd.DataFrame, trucks: pd.Index, age: float, is_file: bool) -> Stratum:
    lives = as_lives(rows, trucks, between=is_file)
    return make_stratum(lives, age, pressure=rows["pressure"].to_numpy(dtype=float))


def _know(rows: pd.DataFrame, here: pd.DataFrame, duty: str, age: float, effect: Effect, is_file: bool) -> Known:
    own = rows[rows["duty_cycle"] == duty]
    trucks = _trucks(own, here[here["duty_cycle"] == duty])
    stratum = _as_stratum(own, trucks, age, is_file)
    logs = np.log(own["practised"].to_numpy(dtype=float))
    weight = np.where(np.isfinite(logs), stratum.pressure * (stratum.lives.exit**2 - stratum.lives.entry**2), 0.0)
    usual = float((np.nan_to_num(logs) * weight).sum() / weight.sum()) if weight.sum() > 0 else 0.0
    return Known(stratum, trucks, effect, usual)


def _repeats(lives: pd.DataFrame) -> bool:
    """Return whether trucks have more than one life each, so that they can be told from chance."""
    return bool(len(lives) >= 1.5 * lives["unit_id"].nunique())


def _assemble(history: History, places: Places, outlooks: list[Outlook], span: Span, level: float) -> Forecast:
    cautions = add_cautions(history.cautions, places.cautions, _curve_cautions(outlooks), _reach(outlooks), (SAFETY,))
    lives, failures = (sum(getattr(o.known.stratum.lives, name) for o in outlooks) for name in ("lives", "failures"))
    months = sum_months(outlooks, level)
    months = months if span.ahead is None else months.iloc[:0]
    return Forecast(
        replace(history.basis, level=level, lives=lives, failures=failures),
        cautions,
        sum_totals(outlooks, level),
        sum_parts(outlooks, level, history.config.costs),
        sum_units(outlooks, level),
        months[months["group"] == "all"].drop(columns="group").reset_index(drop=True),
        months[months["group"] != "all"].reset_index(drop=True),
        sum_shops(outlooks, level),
        list_curves(outlooks),
    )


ORIGINS = {
    "shape_pooled": "too few failures for a curve of their own: the component's shape at their own level",
    "pooled": "no failure yet: the component's curve is used, which may be too harsh or too kind",
    "rate": "no curve can be fitted: the plain failure rate is used, as if age did not matter",
}


def _curve_cautions(outlooks: list[Outlook]) -> tuple[Caution, ...]:
    found = []
    for origin, reason in ORIGINS.items():
        names = [name_group(o.key) or "all lives" for o in outlooks if o.curve.origin == origin]
        if names:
            found.append(Caution(f"forecast-{origin.replace('_', '-')}", f"{'; '.join(names)}: {reason}."))
    if any(outlook.removal > 0 for outlook in outlooks):
        text = "Replacements that are no failure are taken to go on at their past rate, whatever the part's age."
        found.append(Caution("other-removals", text))
    return tuple(found)


def _reach(outlooks: list[Outlook]) -> tuple[Caution, ...]:
    """Warn where most of the looked-at ages lie beyond every age at which a failure was seen."""
    beyond = []
    for outlook in outlooks:
        oldest = outlook.known.stratum.oldest_failure
        ends = outlook.places["age"] + outlook.places["span"]
        if oldest > 0 and float((ends > 1.25 * oldest).mean()) > 0.5:
            beyond.append(name_group(outlook.key) or "all lives")
    if not beyond:
        return ()
    text = (
        f"{'; '.join(beyond)}: most parts go beyond the oldest failure seen; the curve is stretched past its evidence."
    )
    return (Caution("beyond-experience", text),)


def _unanswered(history: History, code: str, text: str, fix: str) -> Unanswered:
    return Unanswered(history.basis, add_cautions(history.cautions, (SAFETY,)), code, text, fix)

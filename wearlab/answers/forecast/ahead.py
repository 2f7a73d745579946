"""What will fail: for each part in service the chance of failure over the miles ahead, and the sums with intervals."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import pandas as pd

from wearlab.answers.forecast.outlook import Outlook
from wearlab.answers.forecast.places import Places, Span, find_places, fittable_lives
from wearlab.answers.forecast.strata import Progress, foresee_places
from wearlab.answers.forecast.sums import (
    SERVICE_LEVEL,
    list_curves,
    name_group,
    sum_classes,
    sum_joining,
    sum_months,
    sum_parts,
    sum_shelves,
    sum_shops,
    sum_totals,
    sum_units,
)
from wearlab.evidence import SAFETY, Basis, Caution, Unanswered, add_cautions
from wearlab.history.lives import History

FARTHEST = 100  # times the greatest age ever watched: beyond, no life can say anything


@dataclass(frozen=True, slots=True)
class Forecast:
    """Failures to count on: sums by component and duty cycle, parts, months, shops, and each part in service.

    ``expected`` is computed at the fitted values; ``low`` and ``high`` hold chance, truck frailty, usage and the doubt
    about the curve together, ``chance_low`` and ``chance_high`` chance and frailty alone. ``shelves``: what each shop
    needs by component; ``joining``: the trucks counted in that are yet to come.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    totals: pd.DataFrame
    parts: pd.DataFrame
    units: pd.DataFrame
    by_month: pd.DataFrame
    by_group_month: pd.DataFrame
    by_class: pd.DataFrame
    by_shop: pd.DataFrame
    shelves: pd.DataFrame
    joining: pd.DataFrame
    curves: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {
            "totals": self.totals,
            "parts": self.parts,
            "units": self.units,
            "by_month": self.by_month,
            "by_group_month": self.by_group_month,
            "by_class": self.by_class,
            "by_shop": self.by_shop,
            "shelves": self.shelves,
            "joining": self.joining,
            "curves": self.curves,
        }


def forecast_failures(
    history: History,
    *,
    months: int | None,
    ahead: float | None,
    level: float,
    seed: int,
    progress: Progress,
    joining: Mapping[str, float] | None = None,
    service_level: float = SERVICE_LEVEL,
) -> Forecast | Unanswered:
    """Return the failures to count on over ``months`` at each truck's own rate, or over ``ahead`` units of the scale.

    For a fleet the parts on trucks in service; a replaced part can fail again; trucks leave service by their miles, as
    they did in the record. ``joining``: trucks a month that are to join, by duty cycle (None: those of fleet.toml);
    ``service_level``: the probability with which the stock suffices. For a lives file every suspended life still runs,
    and ``expected`` is the sum of the conditional failure probabilities at the maximum-likelihood values. Unanswered:
    no lives, no part in service, no reach, or a reach beyond ``FARTHEST`` times the greatest age ever watched.
    """
    is_file = history.as_of is None
    if (ahead is None and (is_file or not months)) or (ahead is not None and not 0 < ahead < math.inf):
        said = "how far to look ahead is not given" if ahead is None else f"{ahead:g} is no way to look ahead"
        return decline(history, "no-reach", said, "give --months or --ahead above 0")
    span = Span(int(months or 1) if ahead is None else 1, ahead, history.config.joining if joining is None else joining)
    places = find_places(history, span)
    if places.table.empty:
        return decline(history, "nothing-in-service", "there is no part in service to forecast", "check the lives")
    farthest, oldest = float(places.table["span"].max()), float(history.lives["exit"].max())
    if farthest > FARTHEST * oldest:
        text = f"{farthest:,.0f} is more than {FARTHEST} times the greatest age ever watched, {oldest:,.0f}"
        return decline(history, "too-far", text, "look less far ahead")
    outlooks = foresee_places(history, places, span, {}, level=level, seed=seed, progress=progress)
    if not outlooks:
        return decline(history, "no-lives", "no part in service has lives of its kind to learn from", "check lives")
    return _assemble(history, places, outlooks, span, level, service_level)


def _assemble(
    history: History, places: Places, outlooks: list[Outlook], span: Span, level: float, service_level: float
) -> Forecast:
    cautions = add_cautions(history.cautions, places.cautions, _curve_cautions(outlooks), _reach(outlooks), (SAFETY,))
    lives = fittable_lives(history)
    count, failed = lives["count"], lives["failed"].to_numpy(dtype=bool)
    months = sum_months(outlooks, level)
    months = months if span.ahead is None else months.iloc[:0]
    return Forecast(
        replace(history.basis, level=level, lives=round(count.sum()), failures=round(count[failed].sum())),
        cautions,
        sum_totals(outlooks, level),
        sum_parts(outlooks, level, history.config.costs, service_level),
        sum_units(outlooks, level),
        months[months["group"] == "all"].drop(columns="group").reset_index(drop=True),
        months[months["group"] != "all"].reset_index(drop=True),
        sum_classes(outlooks, level),
        sum_shops(outlooks, level),
        sum_shelves(outlooks, service_level),
        sum_joining(outlooks),
        list_curves(outlooks),
    )


ORIGINS = {
    "shape_pooled": "too few failures for a curve of their own: the component's shape at their own level",
    "pooled": "no failure yet: the component's curve is used, which may be too harsh or too kind",
    "rate": "no curve can be fitted: the plain failure rate is used, as if age did not matter",
}
OTHER_REMOVALS = (
    "Replacements that are no failure (planned, with the mate, unknown) are taken to go on at the ages and on the "
    "trucks where the record has them; a new plan of replacement is not known to the forecast."
)


def _curve_cautions(outlooks: list[Outlook]) -> tuple[Caution, ...]:
    found = []
    for origin, reason in ORIGINS.items():
        names = [name_group(o.key) or "all lives" for o in outlooks if o.curve.origin == origin]
        if names:
            found.append(Caution(f"forecast-{origin.replace('_', '-')}", f"{'; '.join(names)}: {reason}."))
    if any(outlook.known.removals.rate > 0 for outlook in outlooks):
        found.append(Caution("other-removals", OTHER_REMOVALS))
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


def decline(history: History, code: str, text: str, fix: str) -> Unanswered:
    """Return why there is no forecast."""
    return Unanswered(history.basis, add_cautions(history.cautions, (SAFETY,)), code, text, fix)

"""What if the trucks were greased at other intervals: failures, parts and money against today's practice."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.answers.forecast.ahead import decline
from wearlab.answers.forecast.outlook import Outlook
from wearlab.answers.forecast.places import Places, Span, find_places
from wearlab.answers.forecast.practice import present_practice
from wearlab.answers.forecast.strata import Progress, foresee_places
from wearlab.answers.forecast.sums import price_failures
from wearlab.evidence import SAFETY, Basis, Caution, Unanswered, add_cautions
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Change:
    """Failures over the months ahead at today's practice and at other intervals.

    ``change``: by component and duty cycle ``interval_now`` (median of the trucks), ``interval_then``,
    ``expected_now``, ``expected_then``, ``avoided`` with its interval, ``theta``, and the saving on failures where
    costs are given.
    ``stops``: by duty cycle the regrease stops now and then, and what they cost.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    change: pd.DataFrame
    stops: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {"change": self.change, "stops": self.stops}


def forecast_change(
    history: History, *, intervals: Mapping[str, float], months: int, level: float, seed: int, progress: Progress
) -> Change | Unanswered:
    """Return what other regrease intervals (miles per stop by duty cycle) would change over the months ahead.

    The effect is the one learnt from the fleet's own record, an association within class; a class whose record cannot
    tell shows no change. ``avoided_low`` and ``avoided_high`` hold chance, curve and effect. Unanswered: as a forecast.
    """
    if history.as_of is None or months < 1 or not intervals:
        return decline(history, "no-change", "a fleet, months and intervals are needed", "give a fleet folder")
    span = Span(months, None)
    places = find_places(history, span)
    if places.table.empty:
        return decline(history, "nothing-in-service", "there is no part in service to forecast", "check the lives")
    today, then = (
        foresee_places(history, places, span, given, level=level, seed=seed, progress=progress)
        for given in ({}, intervals)
    )
    rows = [_compare(history, a, b, intervals, level) for a, b in zip(today, then, strict=True)]
    text = (
        "What another interval would change is what went with such an interval in this record, within each class; "
        "it is no experiment. The maker's interval holds."
    )
    cautions = add_cautions(history.cautions, places.cautions, (Caution("change-is-association", text), SAFETY))
    return Change(
        replace(history.basis, level=level),
        cautions,
        pd.DataFrame(rows),
        _count_stops(history, places, intervals, span),
    )


def _compare(
    history: History, today: Outlook, then: Outlook, intervals: Mapping[str, float], level: float
) -> dict[str, object]:
    now, new = float(today.expected[:, -1].sum()), float(then.expected[:, -1].sum())
    low, high = _ends(today.by_draw[:, -1] - then.by_draw[:, -1], now - new, level)
    price = price_failures(today, history.config.costs)
    practised = today.places["practised"].to_numpy(dtype=float)
    known = practised[np.isfinite(practised)]
    return {
        "component": today.key[0],
        "duty_cycle": today.key[1],
        "interval_now": float(np.median(known)) if len(known) else np.nan,
        "interval_then": intervals.get(today.key[1], np.nan),
        "theta": today.known.effect.theta or np.nan,
        "expected_now": now,
        "expected_then": new,
        "avoided": now - new,
        "avoided_low": low,
        "avoided_high": high,
        "saving": price * (now - new),
        "saving_low": price * low,
        "saving_high": price * high,
    }


def _ends(draws: FloatArray, value: float, level: float) -> tuple[float, float]:
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
    return min(float(low), value), max(float(high), value)


def _count_stops(history: History, places: Places, intervals: Mapping[str, float], span: Span) -> pd.DataFrame:
    """Return the regrease stops of the trucks in service by duty cycle, now and then, with their cost."""
    table = places.table.assign(practised=present_practice(history, places.table))
    trucks = table.groupby(["unit_id", "duty_cycle"], as_index=False).agg(practised=("practised", "median"))
    daily = history.units.set_index("unit_id")["miles_per_day"].reindex(trucks["unit_id"]).to_numpy(dtype=float)
    trucks = trucks.assign(miles=daily * span.days)
    rows = []
    for duty, own in trucks.groupby("duty_cycle", sort=True):
        usual = own["practised"].fillna(own["practised"].median())
        now = float((own["miles"] / usual).sum())
        new = float(own["miles"].sum() / intervals[str(duty)]) if str(duty) in intervals else now
        cost = history.config.costs.stop(str(duty))
        each = np.nan if cost is None else cost
        rows.append(
            {
                "duty_cycle": str(duty),
                "trucks": len(own),
                "stops_now": now,
                "stops_then": new,
                "cost_now": each * now,
                "cost_then": each * new,
            }
        )
    return pd.DataFrame(rows)

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
    """Failures, parts and money over the months ahead at today's practice and at other intervals.

    ``adopted``: all trucks, then each duty cycle: failures, parts (failures and other replacements), regrease stops and
    cost now and then, ``avoided`` and ``saving`` (of failures and stops together) with their intervals. ``by_year`` the
    failures of each year ahead. ``change`` by component and duty cycle: ``interval_now`` (median of the trucks),
    ``interval_then``, ``theta``, failures, and the saving on failures alone. ``stops`` by duty cycle the regrease stops
    and their cost. Money where fleet.toml says what a part and a stop cost.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    adopted: pd.DataFrame
    by_year: pd.DataFrame
    change: pd.DataFrame
    stops: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {"adopted": self.adopted, "by_year": self.by_year, "change": self.change, "stops": self.stops}


@dataclass(frozen=True, slots=True)
class _Pair:
    """One stratum's outlook at today's practice and at the other interval, and what a failure costs in it."""

    now: Outlook
    then: Outlook
    price: float

    @property
    def duty(self) -> str:
        """The duty cycle."""
        return self.now.key[1]


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
    pairs = [_Pair(a, b, price_failures(a, history.config.costs)) for a, b in zip(today, then, strict=True)]
    stops = _count_stops(history, places, intervals, span)
    return Change(
        replace(history.basis, level=level),
        add_cautions(history.cautions, places.cautions, _doubts(history, pairs, intervals), (SAFETY,)),
        _sum(pairs, stops, level),
        _by_year(pairs, months, level),
        pd.DataFrame([_compare(pair, intervals, level) for pair in pairs]),
        stops,
    )


def _doubts(history: History, pairs: list[_Pair], intervals: Mapping[str, float]) -> tuple[Caution, ...]:
    text = (
        "What another interval would change is what went with such an interval in this record, within each class; "
        "it is no experiment. The maker's interval holds."
    )
    found = [Caution("change-is-association", text)]
    known = {pair.duty for pair in pairs}
    lost = sorted(set(intervals) - known)
    if lost:
        found.append(Caution("change-unknown-class", f"No part in service belongs to {', '.join(lost)}: not counted."))
    for duty in sorted(known & set(intervals)):
        published = history.config.published_interval.get(duty)
        if published is not None and published.miles is not None and intervals[duty] > published.miles:
            text = f"{duty}: {intervals[duty]:,.0f} miles is beyond the maker's {published.miles:,.0f}."
            found.append(Caution("beyond-published", text))
    return tuple(found)


def _compare(pair: _Pair, intervals: Mapping[str, float], level: float) -> dict[str, object]:
    row = _failures([pair], level)
    practised = pair.now.places["practised"].to_numpy(dtype=float)
    known = practised[np.isfinite(practised)]
    return {
        "component": pair.now.key[0],
        "duty_cycle": pair.duty,
        "interval_now": float(np.median(known)) if len(known) else np.nan,
        "interval_then": intervals.get(pair.duty, np.nan),
        "theta": pair.now.known.effect.theta or np.nan,
        **row,
        "saving": pair.price * row["avoided"],
        "saving_low": pair.price * row["avoided_low"],
        "saving_high": pair.price * row["avoided_high"],
    }


def _failures(pairs: list[_Pair], level: float) -> dict[str, float]:
    now = float(sum(pair.now.expected[:, -1].sum() for pair in pairs))
    then = float(sum(pair.then.expected[:, -1].sum() for pair in pairs))
    draws = np.sum([pair.now.by_draw[:, -1] - pair.then.by_draw[:, -1] for pair in pairs], axis=0)
    low, high = _ends(draws, now - then, level)
    return {
        "expected_now": now,
        "expected_then": then,
        "avoided": now - then,
        "avoided_low": low,
        "avoided_high": high,
    }


def _ends(draws: FloatArray, value: float, level: float) -> tuple[float, float]:
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
    return min(float(low), value), max(float(high), value)


def _sum(pairs: list[_Pair], stops: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return failures, parts, stops and cost for all trucks, then by duty cycle."""
    rows = []
    for duty in (None, *sorted({pair.duty for pair in pairs})):
        chosen = [pair for pair in pairs if duty in (None, pair.duty)]
        own = stops if duty is None else stops[stops["duty_cycle"] == duty]
        row = _failures(chosen, level)
        for name, side in (("now", [pair.now for pair in chosen]), ("then", [pair.then for pair in chosen])):
            row[f"parts_{name}"] = float(sum((o.expected[:, -1] + o.others[:, -1]).sum() for o in side))
            row[f"stops_{name}"] = float(own[f"stops_{name}"].sum())
            failures = sum(p.price * o.expected[:, -1].sum() for p, o in zip(chosen, side, strict=True))
            row[f"cost_{name}"] = float(failures + own[f"cost_{name}"].sum(skipna=False))
        draws = np.sum([p.price * (p.now.by_draw[:, -1] - p.then.by_draw[:, -1]) for p in chosen], axis=0)
        less = float((own["cost_now"] - own["cost_then"]).sum(skipna=False))
        saving = row["cost_now"] - row["cost_then"]
        low, high = _ends(draws + less, saving, level) if np.isfinite(saving) else (np.nan, np.nan)
        named: dict[str, object] = {"group": duty or "all", "duty_cycle": duty}
        rows.append(named | row | {"saving": saving, "saving_low": low, "saving_high": high})
    return pd.DataFrame(rows)


def _by_year(pairs: list[_Pair], months: int, level: float) -> pd.DataFrame:
    """Return the failures of each year ahead, the last one as long as the months reach."""
    rows = []
    for start in range(0, months, 12):
        end = min(start + 12, months) - 1

        def within(one: FloatArray, start: int = start, end: int = end) -> FloatArray:
            return np.asarray(one[:, end] - (one[:, start - 1] if start else 0.0))

        now = float(sum(within(pair.now.expected).sum() for pair in pairs))
        then = float(sum(within(pair.then.expected).sum() for pair in pairs))
        draws = np.sum([within(pair.now.by_draw) - within(pair.then.by_draw) for pair in pairs], axis=0)
        low, high = _ends(draws, now - then, level)
        rows.append(
            {
                "year": start // 12 + 1,
                "months": end - start + 1,
                "expected_now": now,
                "expected_then": then,
                "avoided": now - then,
                "avoided_low": low,
                "avoided_high": high,
            }
        )
    return pd.DataFrame(rows)


def _count_stops(history: History, places: Places, intervals: Mapping[str, float], span: Span) -> pd.DataFrame:
    """Return the regrease stops of the trucks in service by duty cycle, now and then, with their cost.

    Each truck's miles over the months at its own rate, until it is likely to have left, over its miles per stop; the
    cost of a stop with the harm that one may do. Where no truck of a class shows how it is greased, the stops of now
    are not known.
    """
    table = places.table.assign(practised=present_practice(history, places.table))
    trucks = table.groupby(["unit_id", "duty_cycle"], as_index=False).agg(practised=("practised", "median"))
    daily = history.units.set_index("unit_id")["miles_per_day"].reindex(trucks["unit_id"]).to_numpy(dtype=float)
    served = places.leaving.still((np.arange(12) + 0.5) / 12).mean(axis=1)
    served = served[places.trucks.get_indexer(pd.Index(trucks["unit_id"]))]
    trucks = trucks.assign(miles=daily * span.days * served)
    rows = []
    for duty, own in trucks.groupby("duty_cycle", sort=True):
        known = own["practised"].dropna()
        usual = own["practised"].fillna(known.median() if len(known) else np.nan)
        now = float((own["miles"] / usual).sum(min_count=1))
        new = float(own["miles"].sum() / intervals[str(duty)]) if str(duty) in intervals else now
        cost = history.config.costs.stop(str(duty))
        each = np.nan if cost is None else cost + history.config.costs.harm_per_stop
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

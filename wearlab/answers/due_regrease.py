"""When each truck's next regrease is due: miles, hours or months after its last stop, whichever comes first."""

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from wearlab.evidence import Caution
from wearlab.history.lives import History

Row = dict[Hashable, Any]

DAYS_PER_MONTH = 365.25 / 12.0
LIMITS = ("miles", "hours", "months")


@dataclass(frozen=True, slots=True)
class Intervals:
    """Per truck in service: the interval in force (NaN = that limit does not apply) and where it comes from."""

    table: pd.DataFrame  # index unit_id: miles, hours, months, source, note
    cautions: tuple[Caution, ...]


def find_intervals(history: History, regrease: pd.DataFrame | None) -> Intervals:
    """Return the interval in force for every truck in service.

    The plan in force (the truck's own before its class's), never beyond the maker's published interval of the class
    unless fleet.toml allows that; without a plan the published interval; without either the recommended one.
    """
    units = history.units[history.units["in_service"].to_numpy(dtype=bool)].set_index("unit_id")
    plan = _plan_in_force(history, units)
    rows = {unit: _interval_of(history, str(duty), plan.get(str(unit))) for unit, duty in units["duty_cycle"].items()}
    table = pd.DataFrame.from_dict(rows, orient="index", columns=[*LIMITS, "source"])
    recommended = _recommended(regrease)
    bare = table["source"] == ""
    wanted = units["duty_cycle"].map(recommended).astype(float)
    take = bare & wanted.notna()
    table["miles"] = table["miles"].where(~take, wanted).astype(float)
    table["source"] = table["source"].where(~take, "the recommended interval, not yet in a plan")
    table["note"] = [_note(miles, aim) for miles, aim in zip(table["miles"], wanted, strict=True)]
    without = table.index[table["source"] == ""]
    cautions: tuple[Caution, ...] = ()
    if len(without):
        text = (
            f"{len(without)} trucks have no regrease interval: give a lube_plan, or the maker's under "
            "[published_interval] in fleet.toml."
        )
        cautions = (Caution("no-interval", text),)
    return Intervals(table, cautions)


def _plan_in_force(history: History, units: pd.DataFrame) -> dict[str, Row]:
    """Return the latest plan row in force of each truck, a row of its own before one of its class."""
    plan = history.plan
    if plan.empty or history.as_of is None:
        return {}
    known = plan[pd.to_datetime(plan["from_date"]) <= pd.Timestamp(history.as_of)]
    own: dict[str, Row] = {str(row["unit_id"]): row for row in known[known["unit_id"].notna()].to_dict("records")}
    classes: dict[str, Row] = {str(row["duty_cycle"]): row for row in known[known["unit_id"].isna()].to_dict("records")}
    found = {str(unit): own.get(str(unit), classes.get(str(duty))) for unit, duty in units["duty_cycle"].items()}
    return {unit: row for unit, row in found.items() if row is not None}


def _interval_of(history: History, duty: str, plan: Row | None) -> list[object]:
    published = history.config.published_interval.get(duty)
    maker = [np.nan] * 3 if published is None else [_number(getattr(published, name)) for name in LIMITS]
    if plan is None:
        source = "" if published is None else f"the maker's interval ({published.source})"
        return [*maker, source]
    own = [_number(plan[f"interval_{name}"]) for name in LIMITS]
    if published is None or history.config.allow_beyond_published:
        return [*own, "the plan in force"]
    kept = [float(np.fmin(mine, theirs)) for mine, theirs in zip(own, maker, strict=True)]
    beyond = any(mine > theirs for mine, theirs in zip(own, maker, strict=True))
    return [
        *kept,
        f"the maker's interval ({published.source}), shorter than the plan" if beyond else "the plan in force",
    ]


def _number(value: Any) -> float:
    return float("nan") if value is None else float(value)


def _recommended(regrease: pd.DataFrame | None) -> dict[str, float]:
    if regrease is None or regrease.empty:
        return {}
    known = regrease[regrease["recommended"].notna()]
    return {str(duty): float(miles) for duty, miles in zip(known["duty_cycle"], known["recommended"], strict=True)}


def _note(miles: float, wanted: float) -> str:
    """Say where the recommended interval is shorter than the one in force."""
    return f"; recommended for this class: {wanted:,.0f} miles" if wanted < 0.99 * miles else ""


def plan_regreases(history: History, intervals: Intervals, now: pd.Timestamp) -> pd.DataFrame:
    """Return the next regrease of every truck that is greased at all.

    ``unit_id``, ``due_miles``, ``due_date``, ``miles_left``, ``days_left`` (below 0: past), ``why``. A truck without a
    stop in the record counts from its first day in it, which is the latest that its regrease can be due.
    """
    units = history.units[history.units["in_service"].to_numpy(dtype=bool)].set_index("unit_id")
    units = units.loc[units.index.isin(_greased_places(history)["unit_id"])]
    table = intervals.table[intervals.table["source"] != ""]
    units = units.loc[units.index.isin(table.index)]
    last = _last_stops(history, units)
    limit = table.reindex(units.index)
    meter = present_meters(units, now)
    daily = units["miles_per_day"].astype(float)
    hourly = units["hours_per_day"].astype(float)
    hours_now = units["last_hours"].astype(float) + hourly * (now - pd.to_datetime(units["last_date"])).dt.days.clip(
        lower=0
    )
    miles_left = last["miles"] + limit["miles"].astype(float) - meter
    with np.errstate(divide="ignore", invalid="ignore"):
        by_miles = miles_left / daily.where(daily > 0)
        by_hours = (last["hours"] + limit["hours"].astype(float) - hours_now) / hourly.where(hourly > 0)
    since = (now - last["date"]).dt.days
    by_months = pd.Series(_months_left(last["date"], limit["months"].astype(float), now), index=units.index)
    # a truck that stands still is past its miles, or will never reach them
    by_miles = by_miles.where(by_miles.notna() | ~(miles_left <= 0), 0.0)
    days = pd.DataFrame({"miles": by_miles, "hours": by_hours, "months": by_months})
    first = days.min(axis=1)
    which = days.fillna(np.inf).idxmin(axis=1)
    known = first.notna()
    projected = meter + first * daily.fillna(0.0)
    due_miles = (meter + miles_left).where((which == "miles") & miles_left.notna(), projected)
    out = pd.DataFrame(
        {
            "unit_id": units.index,
            "due_miles": due_miles.to_numpy(dtype=float),
            "days_left": np.floor(first.to_numpy(dtype=float)),
            "which": which.to_numpy(),
            "since_miles": (meter - last["miles"]).to_numpy(dtype=float),
            "since_days": since.to_numpy(dtype=float),
            "recorded": last["recorded"].to_numpy(dtype=bool),
        }
    )[known.to_numpy()]
    limits = limit[[*LIMITS, "source", "note"]].to_dict("index")
    out["why"] = [_say_why(row, limits[row["unit_id"]]) for row in out.to_dict("records")]
    return out.reset_index(drop=True)


def _months_left(since: pd.Series, months: pd.Series, now: pd.Timestamp) -> list[float]:
    """Return the days left until so many calendar months after a date; parts of a month count as days."""
    left = []
    for day, count in zip(since, months, strict=True):
        if np.isnan(count) or pd.isna(day):
            left.append(np.nan)
            continue
        due = day + pd.DateOffset(months=int(count)) + pd.Timedelta(days=round((count % 1.0) * DAYS_PER_MONTH))
        left.append(float((due - now).days))
    return left


def present_meters(units: pd.DataFrame, now: pd.Timestamp) -> pd.Series:
    """Return each truck's meter on the day: its last known miles carried on at its own rate."""
    lag = (now - _last_seen(units)).dt.days.clip(lower=0).fillna(0)
    meters: pd.Series = units["last_miles"].astype(float) + units["miles_per_day"].astype(float).fillna(0.0) * lag
    return meters


def _greased_places(history: History) -> pd.DataFrame:
    """Return the running places that have a fitting to grease: joints and splines not known to be sealed."""
    lives = history.lives[history.lives["running"].to_numpy(dtype=bool)]
    fitted = lives["component"].isin(["joint", "slip_spline"])
    sealed = lives["hardware"].astype(object).where(lives["hardware"].notna(), "") == "sealed"
    return lives[fitted & ~sealed][["unit_id", "position"]]


def _last_stops(history: History, units: pd.DataFrame) -> pd.DataFrame:
    """Return the last regrease of each truck: of its place that has waited longest, where stops name places."""
    out = _openings(history, units)
    stops = history.stops[history.stops["unit_id"].isin(out.index)]
    if stops.empty:
        return out.assign(recorded=False)
    named = stops.assign(date=pd.to_datetime(stops["date"]), place=stops["positions"].str.split("; "))
    whole = _latest(named[named["place"].isna()], ["unit_id"])
    single = named[named["place"].notna()].explode("place")
    places = _greased_places(history).merge(whole, on="unit_id", how="left")
    if not single.empty:
        one = _latest(single, ["unit_id", "place"]).rename(columns={"place": "position"})
        places = pd.concat([places, one.merge(places[["unit_id", "position"]], on=["unit_id", "position"])])
    lasting = _latest(places[places["date"].notna()], ["unit_id", "position"])
    seen = lasting.groupby("unit_id")["position"].size()
    wanted = _greased_places(history).groupby("unit_id").size()
    last = lasting.sort_values("date", kind="stable").groupby("unit_id").head(1).set_index("unit_id")
    last = last[seen.reindex(last.index) >= wanted.reindex(last.index)]
    known = out.index.isin(last.index)
    for name in ("date", "miles", "hours"):
        out[name] = out[name].where(~known, last[name].reindex(out.index))
    return out.assign(recorded=known)


def _latest(stops: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    ordered = stops.sort_values([*by, "date"], kind="stable")
    return ordered.groupby(by).tail(1)[[*by, "date", "miles", "hours"]]


def _openings(history: History, units: pd.DataFrame) -> pd.DataFrame:
    """Return where each truck's record opens, its meters carried back at its own rate."""
    begin = pd.to_datetime(units["first_date"])
    if history.config.records_from is not None:
        records = pd.Timestamp(history.config.records_from)
        begin = begin.where(begin > records, records)
    days = (_last_seen(units) - begin).dt.days.clip(lower=0)
    miles = units["last_miles"].astype(float) - units["miles_per_day"].astype(float).fillna(0.0) * days
    hours = units["last_hours"].astype(float) - units["hours_per_day"].astype(float) * days
    return pd.DataFrame({"date": begin, "miles": miles.clip(lower=0), "hours": hours.clip(lower=0)}, index=units.index)


def _last_seen(units: pd.DataFrame) -> pd.Series:
    """Return the day of each truck's last known meter."""
    name = "last_miles_date" if "last_miles_date" in units else "last_date"
    return pd.to_datetime(units[name])


def _say_why(row: Row, limit: Row) -> str:
    parts = [f"{limit[name]:,.0f} {name}" for name in LIMITS if not np.isnan(limit[name])]
    first = {"miles": "miles", "hours": "engine hours", "months": "months"}[str(row["which"])]
    whichever = f", whichever first; here the {first}" if len(parts) > 1 else ""
    run = f"{row['since_miles']:,.0f} miles and {row['since_days']:.0f} days" if np.isfinite(row["since_miles"]) else ""
    run = run or f"{row['since_days']:.0f} days"
    since = f"{run} since the last regrease" if row["recorded"] else f"no regrease on record, {run} seen"
    return f"{since}; every {' or '.join(parts)}{whichever} ({limit['source']}){limit['note']}"

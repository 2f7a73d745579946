"""The work list: what is due, overdue, or to be looked at first, by truck and position, with the reason."""

from dataclasses import dataclass, replace
from datetime import date
from difflib import get_close_matches

import numpy as np
import pandas as pd

from wearlab.answers.cluster import Cluster
from wearlab.answers.due_calendar import write_calendar
from wearlab.answers.due_regrease import Intervals, Row, find_intervals, plan_regreases, present_meters
from wearlab.answers.early import EarlyFailures
from wearlab.answers.forecast import Forecast
from wearlab.answers.intervals import Recommendation
from wearlab.answers.wear import Wear
from wearlab.evidence import SAFETY, Basis, Caution, DataError, Unanswered, add_cautions, say_code
from wearlab.history.lives import History

DUE_DAYS = 14
SOON_DAYS = 45
HIGH_RISK = 0.5
STATUSES = ("overdue", "look_first", "due", "soon")
TASKS = ("inspect", "regrease", "replace_planned")
COLUMNS = (
    "unit_id",
    "position",
    "task",
    "due_miles",
    "due_date",
    "status",
    "why",
    "component",
    "duty_cycle",
    "shop",
    "days_left",
    "week",
    "minutes",
    "parts",
)
# Minutes of work beside a planned stop; common practice, no source.
GREASE_MINUTES_PER_SHAFT = 9
INSPECT_MINUTES = 10
REPLACE_MINUTES = {"joint": 105, "slip_spline": 150, "boot": 60, "center_bearing": 120}
PARTS = {
    "joint": "joint kit with new bolts or straps",
    "slip_spline": "slip yoke and splined shaft as a pair, seal or boot",
    "boot": "boot and two clamps",
    "center_bearing": "centre bearing assembly",
}


@dataclass(frozen=True, slots=True)
class WorkList:
    """What to do, week by week and shop by shop, most urgent truck first, its inspection before its grease.

    ``work``: ``position`` null = the whole truck; ``due_miles`` on the truck's meter; ``days_left`` from ``as_of``;
    ``week`` the Monday of the week in which the truck should come in, all its jobs together, not before this week;
    ``minutes`` and ``parts`` by common practice. ``shops``: jobs and minutes by shop and status; ``weeks``: trucks,
    jobs, minutes and planned replacements by shop and week.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    work: pd.DataFrame
    shops: pd.DataFrame
    weeks: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {"work": self.work, "shops": self.shops, "weeks": self.weeks}


def list_work(
    history: History,
    *,
    recommendation: Recommendation | None,
    early: EarlyFailures | None,
    cluster: Cluster | None,
    wear: Wear | None,
    forecast: Forecast | None,
    level: float,
) -> WorkList | Unanswered:
    """Return what is due as of the history's day, from the answers at hand (None = not asked).

    Regrease by the interval in force at each truck's own rate; inspection first of parts near their wear limit, of a
    suspect cohort, on trucks with abnormal failures, or more likely than not to fail; planned replacement at the age of
    the recommendation or past a wear limit. Unanswered: a plain lives file, or no truck in service.
    """
    if history.as_of is None or history.units.empty or not history.units["in_service"].any():
        text = "a work list needs trucks in service with meters: a fleet folder"
        fix = "give a fleet folder with units, readings and services"
        return Unanswered(history.basis, add_cautions(history.cautions, (SAFETY,)), "no-trucks", text, fix)
    now = pd.Timestamp(history.as_of)
    intervals = find_intervals(history, None if recommendation is None else recommendation.regrease)
    replacement = None if recommendation is None else recommendation.replacement
    jobs = [
        *_regreases(history, intervals, now),
        *_inspections(history, early, cluster, wear, forecast),
        *_replacements(history, replacement, wear),
    ]
    work = _arrange(history, jobs, now)
    asked = tuple(result.cautions for result in (recommendation, early, cluster, wear, forecast) if result is not None)
    cautions = add_cautions(history.cautions, intervals.cautions, *asked, _standing(history), (SAFETY,))
    return WorkList(replace(history.basis, level=level), cautions, work, _by_shop(work), _by_week(work))


def of_shop(worklist: WorkList, shop: str) -> WorkList:
    """Return the work of one shop; refuses (DataError) a shop that has none."""
    names = sorted({str(name) for name in worklist.work["shop"].dropna()})
    if shop not in names:
        near = get_close_matches(shop, names, n=1, cutoff=0.4)
        fix = f"did you mean {near[0]}?" if near else f"the shops with work: {', '.join(names) or 'none'}"
        raise DataError("shop-unknown", f"no work is due in a shop {shop!r}", fix)
    own = [
        table[table["shop"] == shop].reset_index(drop=True) for table in (worklist.work, worklist.shops, worklist.weeks)
    ]
    return replace(worklist, work=own[0], shops=own[1], weeks=own[2])


def work_calendar(worklist: WorkList) -> str:
    """Return the work list as the text of an iCalendar file (RFC 5545), one all-day event per job."""
    as_of = worklist.basis.as_of
    return "" if as_of is None else write_calendar(worklist.work, as_of, SAFETY.text)


@dataclass(frozen=True, slots=True)
class _Job:
    """One line before it is dated and ordered; ``ahead`` miles or ``days`` from now (NaN: now)."""

    unit_id: str
    position: str | None
    task: str
    why: str
    ahead: float = 0.0
    days: float | None = None
    due_miles: float | None = None
    urgent: bool = False


def _regreases(history: History, intervals: Intervals, now: pd.Timestamp) -> list[_Job]:
    table = plan_regreases(history, intervals, now)
    near = table[table["days_left"] <= SOON_DAYS]
    return [
        _Job(
            str(row["unit_id"]),
            None,
            "regrease",
            str(row["why"]),
            days=float(row["days_left"]),
            due_miles=float(row["due_miles"]),
        )
        for row in near.to_dict("records")
    ]


def _inspections(
    history: History,
    early: EarlyFailures | None,
    cluster: Cluster | None,
    wear: Wear | None,
    forecast: Forecast | None,
) -> list[_Job]:
    """Return what to look at first, one job per part or truck with all its reasons."""
    found: dict[tuple[str, str | None], list[str]] = {}
    for unit, position, why in (*_worn(wear), *_suspect(cluster), *_abnormal(early), *_likely(forecast)):
        found.setdefault((unit, position), []).append(why)
    serving = set(history.units.loc[history.units["in_service"].to_numpy(dtype=bool), "unit_id"])
    return [
        _Job(unit, position, "inspect", "; ".join(dict.fromkeys(reasons)), urgent=True)
        for (unit, position), reasons in found.items()
        if unit in serving
    ]


def _worn(wear: Wear | None) -> list[tuple[str, str | None, str]]:
    if wear is None:
        return []
    near = wear.parts["status"].str.startswith("may reach") | (wear.parts["status"] == "past the limit by its rate")
    return [
        (str(row["unit_id"]), str(row["position"]), f"{_say_wear(row)}: {row['standing']}")
        for row in wear.parts[near].to_dict("records")
    ]


def _say_wear(row: Row) -> str:
    """Return what was measured beside its limit."""
    quantity = str(row["quantity"]).replace("_", " ")
    return f"{quantity} {row['latest']:.4g} {row['unit']}, limit {row['limit']:.4g}"


def _suspect(cluster: Cluster | None) -> list[tuple[str, str | None, str]]:
    if cluster is None or cluster.verdict.found == "nothing":
        return []
    verdict = cluster.verdict
    why = f"{verdict.found} cluster: {verdict.factor} {verdict.level}"
    return [(str(row["unit_id"]), str(row["position"]), why) for row in cluster.at_risk.to_dict("records")]


def _abnormal(early: EarlyFailures | None) -> list[tuple[str, str | None, str]]:
    if early is None:
        return []
    rows = early.units[early.units["flagged"].to_numpy(dtype=bool)]
    return [
        (str(unit), None, f"{observed:.0f} {say_code(str(part))} failures where {expected:.1f} are expected")
        for unit, part, observed, expected in zip(
            *(rows[name] for name in ("unit_id", "component", "observed", "expected")), strict=True
        )
    ]


def _likely(forecast: Forecast | None) -> list[tuple[str, str | None, str]]:
    if forecast is None:
        return []
    rows = forecast.units[forecast.units["probability"] >= HIGH_RISK]
    return [
        (
            str(row["unit_id"]),
            str(row["position"]),
            f"{100 * row['probability']:.0f} % chance of failing in the months forecast",
        )
        for row in rows.to_dict("records")
    ]


def _replacements(history: History, replacement: pd.DataFrame | None, wear: Wear | None) -> list[_Job]:
    """Return parts at or past a wear limit, and parts near the age of planned replacement.

    A part beyond that age is due at the next stop, never overdue: the age is what pays, not a limit.
    """
    jobs: dict[tuple[str, str | None], _Job] = {}
    if wear is not None:
        for row in wear.parts[wear.parts["status"] == "past the limit"].to_dict("records"):
            unit, position = str(row["unit_id"]), str(row["position"])
            why = f"{_say_wear(row)}: check it and replace it"
            jobs[unit, position] = _Job(unit, position, "replace_planned", why, days=-1.0)
    for job in _by_age(history, replacement):
        jobs.setdefault((job.unit_id, job.position), job)
    serving = set(history.units.loc[history.units["in_service"].to_numpy(dtype=bool), "unit_id"])
    return [job for job in jobs.values() if job.unit_id in serving]


def _by_age(history: History, replacement: pd.DataFrame | None) -> list[_Job]:
    if replacement is None or replacement.empty or history.scale != "miles":
        return []
    planned = replacement[(replacement["policy"] == "replace at age") & replacement["replace_at"].notna()]
    running = history.lives[history.lives["running"].to_numpy(dtype=bool)]
    parts = running.merge(planned[["component", "duty_cycle", "replace_at"]], on=["component", "duty_cycle"])
    return [
        _Job(
            str(row["unit_id"]),
            str(row["position"]),
            "replace_planned",
            f"{row['exit']:,.0f} miles old; planned replacement pays from {row['replace_at']:,.0f} miles",
            ahead=max(float(row["replace_at"] - row["exit"]), 0.0),
        )
        for row in parts.to_dict("records")
    ]


def _arrange(history: History, jobs: list[_Job], now: pd.Timestamp) -> pd.DataFrame:
    """Return the jobs dated, judged and ordered: most urgent truck first, a truck's jobs together."""
    table = history.units.set_index("unit_id")
    units, meters = table.to_dict("index"), present_meters(table, now)
    places = history.lives[history.lives["running"].to_numpy(dtype=bool)]
    component = dict(zip(zip(places["unit_id"], places["position"], strict=True), places["component"], strict=True))
    shafts = places.groupby("unit_id")["position"].agg(_count_shafts)
    rows = []
    for job in jobs:
        truck = units[job.unit_id]
        daily = float(truck["miles_per_day"])
        days = _days_left(job, daily)
        status = "look_first" if job.urgent else _status(days)
        if status is None:
            continue
        kind = component.get((job.unit_id, job.position))
        meter = float(meters[job.unit_id])
        rows.append(
            {
                "unit_id": job.unit_id,
                "position": job.position,
                "task": job.task,
                "due_miles": meter + job.ahead if job.due_miles is None else job.due_miles,
                "due_date": (now + pd.Timedelta(days=days)).date(),
                "status": status,
                "why": f"Inspect before greasing. {job.why}" if job.task == "regrease" else job.why,
                "component": kind,
                "duty_cycle": truck["duty_cycle"],
                "shop": truck["shop"],
                "days_left": days,
                "week": None,
                "minutes": _minutes(job, kind, int(shafts.get(job.unit_id, 1))),
                "parts": "grease"
                if job.task == "regrease"
                else (PARTS.get(str(kind)) if job.task == TASKS[2] else None),
            }
        )
    work = pd.DataFrame(rows, columns=list(COLUMNS))
    rank = work["status"].map({status: number for number, status in enumerate(STATUSES)})
    task = work["task"].map({task: number for number, task in enumerate(TASKS)})
    work = work.assign(rank=rank, task_rank=task)
    best = work.groupby("unit_id")[["rank", "days_left"]].transform("min").rename(columns=lambda name: f"truck_{name}")
    work = work.assign(week=pd.Series(_weeks(now, work), index=work.index, dtype=object))
    order = ["week", "shop", "truck_rank", "truck_days_left", "unit_id", "task_rank", "rank", "days_left", "position"]
    return work.join(best).sort_values(order, kind="stable")[list(COLUMNS)].reset_index(drop=True)


def _days_left(job: _Job, daily: float) -> float:
    if job.days is not None:
        return job.days
    if job.ahead <= 0:
        return 0.0
    return float(np.floor(job.ahead / daily)) if daily > 0 else 1e6


def _status(days: float) -> str | None:
    """Return the status of a job due in so many days, None where it is not yet time."""
    for status, reach in (("overdue", -1), ("due", DUE_DAYS), ("soon", SOON_DAYS)):
        if days <= reach:
            return status
    return None


def _weeks(now: pd.Timestamp, work: pd.DataFrame) -> list[date]:
    """Return the Monday of the week in which each job's truck should come in: that of its first job, or this week's."""
    urgent = work["status"].isin(["overdue", "look_first"])
    days = work["days_left"].astype(float).where(~urgent, 0.0).clip(lower=0.0)
    first = days.groupby(work["unit_id"]).transform("min")
    monday = now - pd.Timedelta(days=now.weekday())
    return [(monday + pd.Timedelta(weeks=int((now.weekday() + day) // 7))).date() for day in first]


def _count_shafts(positions: pd.Series) -> int:
    return max(positions.astype(str).str.split(".").str[0].nunique(), 1)


def _minutes(job: _Job, component: str | None, shafts: int) -> int:
    if job.task == "regrease":
        return GREASE_MINUTES_PER_SHAFT * shafts
    if job.task == "inspect":
        return INSPECT_MINUTES * (1 if job.position is not None else shafts)
    return REPLACE_MINUTES.get(str(component), 120)


def _by_shop(work: pd.DataFrame) -> pd.DataFrame:
    """Return trucks, jobs and minutes of each shop by status."""
    groups = work.groupby(["shop", "status"], dropna=False, sort=True)
    table = groups.agg(trucks=("unit_id", "nunique"), jobs=("task", "size"), minutes=("minutes", "sum")).reset_index()
    rank = table["status"].map({status: number for number, status in enumerate(STATUSES)})
    return (
        table.assign(rank=rank)
        .sort_values(["shop", "rank"], kind="stable")[["shop", "status", "trucks", "jobs", "minutes"]]
        .reset_index(drop=True)
    )


def _by_week(work: pd.DataFrame) -> pd.DataFrame:
    """Return trucks, jobs, minutes and planned replacements of each shop by week."""
    planned = work.assign(replacements=(work["task"] == "replace_planned").astype(int))
    groups = planned.groupby(["shop", "week"], dropna=False, sort=True)
    return groups.agg(
        trucks=("unit_id", "nunique"),
        jobs=("task", "size"),
        minutes=("minutes", "sum"),
        replacements=("replacements", "sum"),
    ).reset_index()


def _standing(history: History) -> tuple[Caution, ...]:
    text = (
        f"Due dates carry each truck's own rate on from its last reading; listed is what falls due within {SOON_DAYS} "
        "days. Minutes and parts are common practice, no source: the maker's instructions hold."
    )
    units = history.units[history.units["in_service"].to_numpy(dtype=bool)]
    unknown = int(units["miles_per_day"].isna().sum())
    found = (Caution("work-dates", text),)
    if not unknown:
        return found
    return (
        *found,
        Caution("usage-unknown", f"{unknown} trucks have no usable rate: only months tell when they are due."),
    )

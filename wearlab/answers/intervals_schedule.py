"""One class's row of the schedule: the interval, what it saves, how sure, and the sentence that goes on the wall."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.answers.intervals_costs import PartModel, TruckCosts
from wearlab.answers.intervals_decision import Bounds, Choice, choose_interval
from wearlab.answers.intervals_evidence import Facts, driving_part, grade_evidence, strengthen
from wearlab.answers.intervals_today import Usage
from wearlab.evidence import say_code
from wearlab.history.config import FleetConfig, PublishedInterval

Floats = npt.NDArray[np.float64]

REGREASE_COLUMNS = [
    "duty_cycle", "recommended", "cost_optimal", "low", "high", "current", "saving_per_truck_year", "saving_low",
    "saving_high", "probability_better", "evidence", "limited_by", "cautions", "sentence", "stronger", "candidate",
    "candidate_probability", "practised_low", "practised_high", "published", "recommended_hours",
    "recommended_months", "cost_per_1000",
    "cost_per_1000_low", "cost_per_1000_high", "current_cost_per_1000", "failures_per_truck_year",
    "current_failures_per_truck_year", "failures", "trucks", "reliability_ratio", "miles_per_year", "ownership_miles",
]  # fmt: skip
CURVE_COLUMNS = ["duty_cycle", "interval", "cost", "low", "high", "in_practised_range"]
TRIED_COLUMNS = [
    "duty_cycle", "interval", "component", "mean_life", "mean_life_low", "mean_life_high", "b10", "b10_low",
    "b10_high", "failures_per_100_truck_years", "failures_per_100_truck_years_low",
    "failures_per_100_truck_years_high", "cost_per_1000", "cost_per_1000_low", "cost_per_1000_high",
    "in_practised_range",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class ClassEvidence:
    """What is known of one class beside its costs: range of practice, counts, and how the effect was checked."""

    practised_low: float
    practised_high: float
    range_ratio: float
    failures: int
    trucks: int
    reliability_ratio: float | None
    same_sign: bool
    control_clear: bool


def published_miles(published: PublishedInterval | None, usage: Usage) -> float | None:
    """Return the published interval in miles: the least of its miles, hours and months at the class's usage."""
    if published is None:
        return None
    per_hour = usage.miles_per_year / usage.hours_per_year if usage.hours_per_year > 0 else float("nan")
    each = [
        published.miles,
        None if published.hours is None else published.hours * per_hour,
        None if published.months is None else published.months * usage.miles_per_year / 12,
    ]
    known = [value for value in each if value is not None and np.isfinite(value)]
    return min(known) if known else None


def make_bounds(config: FleetConfig, usage: Usage, evidence: ClassEvidence) -> Bounds:
    """Return the limits of one class's interval."""
    published = published_miles(config.published_interval.get(usage.duty_cycle), usage)
    return Bounds(
        practised_low=evidence.practised_low,
        practised_high=evidence.practised_high,
        published=None if config.allow_beyond_published else published,
        grid=config.interval_grid,
        b10=config.limits.b10_miles.get(usage.duty_cycle),
        failures_per_year=config.limits.failures_per_truck_year,
    )


def empty_row(usage: Usage, config: FleetConfig, evidence: ClassEvidence | None) -> dict[str, object]:
    """Return a class's row without a recommendation."""
    row: dict[str, object] = {
        "duty_cycle": usage.duty_cycle,
        "current": usage.current,
        "published": published_miles(config.published_interval.get(usage.duty_cycle), usage),
        "miles_per_year": usage.miles_per_year,
        "ownership_miles": usage.ownership_miles,
        "evidence": "none",
    }
    if evidence is not None:
        row |= {
            "practised_low": evidence.practised_low,
            "practised_high": evidence.practised_high,
            "failures": evidence.failures,
            "trucks": evidence.trucks,
            "reliability_ratio": evidence.reliability_ratio,
        }
    return row


def schedule_row(
    costs: TruckCosts, bounds: Bounds, evidence: ClassEvidence, current: float, level: float
) -> tuple[dict[str, object], Choice]:
    """Return what the decision adds to a class's row, and the choice itself."""
    choice = choose_interval(costs, bounds, current)
    changed = choice.recommended != current
    both = costs.per_mile(np.array([choice.recommended, current]))
    failing = costs.failures_per_mile(np.array([choice.recommended, current]))[1:].mean(axis=0)
    per_year = costs.usage.miles_per_year
    saved = (both[:, 1] - both[:, 0])[1:] * per_year
    better = float((saved > 0).mean()) if changed else None
    wanted = choice.candidate if choice.limited_by == "evidence" else choice.recommended
    sure = _probability(costs, wanted, current)
    facts = judge_facts(costs, evidence, sure, lengthens=wanted > current)
    ends = _ends(both[1:, 0] * 1000, level)
    row: dict[str, object] = {
        "recommended": choice.recommended,
        "cost_optimal": choice.cost_optimal,
        "low": choice.low,
        "high": choice.high,
        "candidate": choice.candidate,
        "limited_by": choice.limited_by,
        "evidence": grade_evidence(facts),
        "stronger": strengthen(facts),
        "probability_better": better,
        "candidate_probability": _probability(costs, choice.candidate, current),
        "current_cost_per_1000": float(both[1:, 1].mean() * 1000),
        "failures_per_truck_year": float(failing[0] * per_year),
        "current_failures_per_truck_year": float(failing[1] * per_year),
    }
    row |= _with_limits("cost_per_1000", ends)
    saving = _ends(saved, level) if changed else (0.0, 0.0, 0.0)
    row |= {"saving_per_truck_year": saving[0], "saving_low": saving[1], "saving_high": saving[2]}
    return row, choice


def _probability(costs: TruckCosts, wanted: float, current: float) -> float | None:
    """Return the share of parameter draws in which ``wanted`` costs less than today's interval; None for the same."""
    if wanted == current:
        return None
    both = costs.per_mile(np.array([wanted, current]))[1:]
    return float((both[:, 0] < both[:, 1]).mean())


def judge_facts(costs: TruckCosts, evidence: ClassEvidence, better: float | None, *, lengthens: bool) -> Facts:
    """Return the facts that the grade of evidence is judged by."""
    return Facts(
        theta_low=costs.parts[driving_part(costs)].theta_low,
        failures=evidence.failures,
        trucks=evidence.trucks,
        probability_better=better,
        range_ratio=evidence.range_ratio,
        reliability_ratio=evidence.reliability_ratio,
        same_sign=evidence.same_sign,
        control_clear=evidence.control_clear,
        lengthens=lengthens,
    )


def _ends(values: Floats, level: float) -> tuple[float, float, float]:
    """Return the mean and the equal-tailed limits of draws, the limits drawn out to the mean where they miss it."""
    low, high = np.quantile(values, ((1 - level) / 2, (1 + level) / 2))
    mean = float(values.mean())
    return mean, min(float(low), mean), max(float(high), mean)


def _with_limits(name: str, ends: tuple[float, float, float]) -> dict[str, object]:
    return {name: ends[0], f"{name}_low": ends[1], f"{name}_high": ends[2]}


def tabulate_curve(costs: TruckCosts, bounds: Bounds, level: float) -> pd.DataFrame:
    """Return the class's ``cost_curve``: cost per 1,000 miles by interval, a little beyond the practised range."""
    intervals = np.geomspace(bounds.practised_low / 1.4, bounds.practised_high * 1.4, 41)
    cost = costs.per_mile(intervals)[1:] * 1000
    low, high = np.quantile(cost, ((1 - level) / 2, (1 + level) / 2), axis=0)
    mean = cost.mean(axis=0)
    return pd.DataFrame(
        {
            "duty_cycle": costs.usage.duty_cycle,
            "interval": intervals,
            "cost": mean,
            "low": np.minimum(low, mean),
            "high": np.maximum(high, mean),
            "in_practised_range": (intervals >= bounds.practised_low) & (intervals <= bounds.practised_high),
        },
        columns=CURVE_COLUMNS,
    )


def tabulate_tried(
    costs: TruckCosts, practised: tuple[float, float], intervals: tuple[float, ...], level: float, *, priced: bool
) -> pd.DataFrame:
    """Return what each interval would do in one class: life, B10, failures per 100 trucks and year, cost."""
    at = np.array(intervals)
    rows = [row for part in costs.parts for row in _tried_part(costs, part, at, level)]
    if priced:
        cost = costs.per_mile(at)[1:] * 1000
        failing = costs.failures_per_mile(at)[1:] * costs.usage.miles_per_year * 100
        for j, interval in enumerate(intervals):
            row: dict[str, object] = {"interval": interval, "component": "all"}
            row |= _with_limits("cost_per_1000", _ends(cost[:, j], level))
            rows.append(row | _with_limits("failures_per_100_truck_years", _ends(failing[:, j], level)))
    table = pd.DataFrame(rows, columns=TRIED_COLUMNS)
    table["duty_cycle"] = costs.usage.duty_cycle
    table["in_practised_range"] = table["interval"].between(*practised)
    return table


def _tried_part(costs: TruckCosts, part: PartModel, at: Floats, level: float) -> list[dict[str, object]]:
    per_year = costs.usage.miles_per_year / costs.usage.ownership_miles * 100
    failing = part.failures(at, costs.horizon)[1:] * per_year
    life, b10 = part.mean_life(at)[1:], part.life_at(at, 0.1)[1:]
    rows = []
    for j, interval in enumerate(at):
        row: dict[str, object] = {"interval": float(interval), "component": part.component}
        row |= _with_limits("mean_life", _ends(life[:, j], level)) | _with_limits("b10", _ends(b10[:, j], level))
        rows.append(row | _with_limits("failures_per_100_truck_years", _ends(failing[:, j], level)))
    return rows


def in_hours(miles: float, usage: Usage) -> float | None:
    """Return an interval in engine hours at the class's usage, in tens; None where hours are not recorded."""
    if not (usage.hours_per_year > 0 and usage.miles_per_year > 0):
        return None
    return max(float(np.round(miles * usage.hours_per_year / usage.miles_per_year / 10) * 10), 10.0)


def in_months(miles: float, usage: Usage) -> float | None:
    """Return an interval in months at the class's usage, up to the next half; None where usage is not known."""
    if not usage.miles_per_year > 0:
        return None
    return max(float(np.ceil(miles / usage.miles_per_year * 12 * 2) / 2), 0.5)


def write_sentence(row: dict[str, object], usage: Usage) -> str:
    """Return the line that goes on the schedule, in plain words."""
    who = say_code(usage.duty_cycle).capitalize()
    recommended, current = row.get("recommended"), row.get("current")
    if not isinstance(recommended, float):
        return f"{who}: no interval can be recommended from these records; keep to the maker's published interval."
    kept = recommended == current
    said = f"every {round(recommended, -2) if kept else recommended:,.0f} miles"
    hours, months = row.get("recommended_hours"), row.get("recommended_months")
    if isinstance(hours, float) and usage.miles_per_year < 30 * usage.hours_per_year:
        said += f" or {hours:,.0f} hours, whichever first"
    elif isinstance(months, float):
        said += f" or {months:g} months, whichever first"
    mean = None if usage.current_mean is None else f"{float(f'{usage.current_mean:.3g}'):,.0f}"
    today = "" if mean is None else f"; today {mean} on average"
    what = "keep greasing joints and splines" if kept else "grease joints and splines"
    return f"{who}: {what} {said}{today}; evidence {row.get('evidence')} ({row.get('failures', 0):,} failures)."

"""Which regrease interval to put on the schedule: least expected cost within limits, each named when it binds."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wearlab.answers.intervals_costs import TruckCosts

Floats = npt.NDArray[np.float64]

FLAT = 0.02  # the flat zone: within this share of the least cost
WORTH = 0.05  # an interval closer than this to today's is not worth a new schedule
STEP = 0.10  # a longer interval goes at most to the first multiple of the grid this far beyond today's


@dataclass(frozen=True, slots=True)
class Bounds:
    """The limits of one class's interval, miles; None or infinite where there is none."""

    practised_low: float
    practised_high: float
    published: float | None
    grid: float
    b10: float | None
    failures_per_year: float | None


@dataclass(frozen=True, slots=True)
class Choice:
    """The interval chosen, what bound it, and the curve it was read from (costs per mile)."""

    recommended: float
    limited_by: str | None
    candidate: float  # the least cost within the limits, before asking for evidence
    cost_optimal: float
    low: float
    high: float
    intervals: Floats
    mean_cost: Floats
    target_missed: bool


def choose_interval(costs: TruckCosts, bounds: Bounds, current: float) -> Choice:
    """Return the interval of least expected cost over the fit's uncertainty within the limits.

    Shortening needs an effect whose lower limit is above 0, and must pay by such effects alone; lengthening must pay
    with every effect at its upper limit and goes at most one step beyond today's: to the first multiple of the shop's
    grid at least 10 % longer. An interval within 5 % of today's changes nothing. Otherwise today's interval is kept,
    but never beyond the published one.
    """
    fine = np.geomspace(bounds.practised_low, bounds.practised_high, 61)
    beyond = np.array([bounds.practised_low / 1.05, bounds.practised_high * 1.05])
    steps = _steps(bounds)
    every = np.unique(np.concatenate([fine, beyond, steps, [current]]))
    mean = costs.per_mile(every)[1:].mean(axis=0)

    def cost_at(points: Floats) -> Floats:
        result: Floats = mean[np.searchsorted(every, points)]
        return result

    least = float(fine[np.argmin(cost_at(fine))])
    flat = fine[cost_at(fine) <= cost_at(fine).min() * (1 + FLAT)]
    free = _cheapest(steps, cost_at(steps))
    within, limited_by, missed = _limit(costs, bounds, steps, free)
    candidate = _cheapest(within, cost_at(within))
    if candidate == free:
        limited_by = _edge(free, steps, cost_at(beyond), cost_at(fine[[0, -1]]))
    chosen, limited_by = _judge(costs, bounds, current, candidate, limited_by)
    return Choice(
        recommended=chosen,
        limited_by=limited_by,
        candidate=candidate,
        cost_optimal=least,
        low=float(flat[0]),
        high=float(flat[-1]),
        intervals=every,
        mean_cost=mean,
        target_missed=missed,
    )


def _steps(bounds: Bounds) -> Floats:
    """Return the multiples of the shop's grid inside the practised range; the nearest one where none is inside."""
    first = np.ceil(bounds.practised_low / bounds.grid - 1e-9)
    last = np.floor(bounds.practised_high / bounds.grid + 1e-9)
    if last < first:
        middle = np.sqrt(bounds.practised_low * bounds.practised_high)
        first = last = max(np.round(middle / bounds.grid), 1.0)
    result: Floats = bounds.grid * np.arange(max(first, 1.0), max(last, 1.0) + 1)
    return result


def _cheapest(points: Floats, cost: Floats) -> float:
    return float(points[np.argmin(cost)])


def _limit(costs: TruckCosts, bounds: Bounds, steps: Floats, free: float) -> tuple[Floats, str | None, bool]:
    """Return the steps that the published interval and the targets leave, and which of the two binds at ``free``."""
    within, limited_by = steps, None
    if bounds.published is not None:
        within = steps[steps <= bounds.published]
        if not len(within):
            within = np.array(
                [max(np.floor(bounds.published / bounds.grid) * bounds.grid, min(bounds.published, bounds.grid))]
            )
        if free > bounds.published:
            limited_by = "published_interval"
    good = meets_targets(costs, bounds, within)
    if good.all():
        return within, limited_by, False
    if not good.any():
        return within[:1], "target", True
    kept = within[good]
    if free not in kept and limited_by is None:
        limited_by = "target"
    return kept, limited_by, False


def meets_targets(costs: TruckCosts, bounds: Bounds, points: Floats) -> npt.NDArray[np.bool_]:
    """Return at which intervals the fit itself meets the B10 and failures-per-truck-year targets."""
    good = np.ones(len(points), dtype=bool)
    if bounds.b10 is not None:
        for part in costs.parts:
            good &= part.life_at(points, 0.1)[0] / costs.usage.life_units_per_mile >= bounds.b10
    if bounds.failures_per_year is not None:
        good &= costs.failures_per_mile(points)[0] * costs.usage.miles_per_year <= bounds.failures_per_year
    return good


def _edge(free: float, steps: Floats, beyond: Floats, ends: Floats) -> str | None:
    at_low = free == steps[0] and beyond[0] < ends[0]
    at_high = free == steps[-1] and beyond[1] < ends[1]
    return "practised_range" if at_low or at_high else None


def _judge(
    costs: TruckCosts, bounds: Bounds, current: float, candidate: float, limited_by: str | None
) -> tuple[float, str | None]:
    """Return the interval after asking for evidence, and what bound it."""
    chosen, bound = current, limited_by
    least_change = max(bounds.grid / 2, WORTH * current)
    if candidate < current - least_change:
        if _pays(costs.proven_only, candidate, current) and any((part.theta_low or 0) > 0 for part in costs.parts):
            chosen = candidate
        else:
            bound = "evidence"
    elif candidate > current + least_change:
        chosen, bound = _lengthen(costs, bounds, current, candidate, limited_by)
    elif all(part.theta_low is None for part in costs.parts):
        bound = "evidence"
    else:
        bound = None if limited_by == "practised_range" else limited_by
    if bounds.published is not None and chosen > bounds.published:
        floor = np.floor(bounds.published / bounds.grid) * bounds.grid
        return float(floor if floor > 0 else bounds.published), "published_interval"
    return chosen, bound


def _pays(cost: Callable[[Floats], Floats], new: float, old: float) -> bool:
    mean = cost(np.array([new, old]))[1:].mean(axis=0)
    return bool(mean[0] < mean[1])


def one_step_beyond(current: float, grid: float) -> float:
    """Return the first multiple of the grid at least 10 % beyond today's interval."""
    return float(np.ceil(current * (1 + STEP) / grid - 1e-9) * grid)


def _lengthen(
    costs: TruckCosts, bounds: Bounds, current: float, candidate: float, limited_by: str | None
) -> tuple[float, str | None]:
    new = min(one_step_beyond(current, bounds.grid), candidate)
    unknown = any(part.theta_high is None for part in costs.parts)
    if unknown or new <= current or not _pays(costs.at_high_effects, new, current):
        return current, "evidence"
    return new, "one_step" if new < candidate else limited_by

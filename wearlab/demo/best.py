"""The demo fleet's cheapest regrease interval per class, from the planted values by plain numerics."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from wearlab.demo import scenario as plan

Floats = NDArray[np.float64]


def renewals(shape: float, ages: Floats, *, steps: int = 1500) -> Floats:
    """Return the expected number of replacements up to each age (in characteristic lives).

    Steps the renewal equation M(t) = F(t) + integral of M(t - s) dF(s) (Barlow & Proschan 1965).
    """
    top = max(float(ages.max()), 1e-6)
    grid = np.linspace(0.0, top, steps + 1)
    share = np.diff(-np.expm1(-(grid**shape)))
    count = np.zeros(steps + 1)
    for step in range(1, steps + 1):
        # A part that fails within a step is replaced, on average, in its middle.
        earlier = (count[step - 1 :: -1] + count[step:0:-1]) / 2
        known = share[:step].sum() + (share[:step] * earlier).sum()
        count[step] = known / (1 - share[0] / 2)  # the step's own share of itself
    return np.asarray(np.interp(ages, grid, count))


def frailties(count: int = 41) -> tuple[Floats, Floats]:
    """Return values of a gamma variable of mean 1 and the planted variance, with their shares."""
    k = 1 / plan.FRAILTY_VARIANCE
    z = np.linspace(0.0, 1 + 8 * np.sqrt(plan.FRAILTY_VARIANCE), 40 * count + 1)
    density = z ** (k - 1) * np.exp(-k * z)
    blocks = np.array_split(np.arange(len(z)), count)
    share = np.array([density[block].sum() for block in blocks])
    middle = np.array([(z[block] * density[block]).sum() for block in blocks]) / share
    share /= share.sum()
    return middle / (middle * share).sum(), share


def failure_cost(component: str, duty_cycle: int) -> float:
    """Return what one failure costs on average: on the road, or found at an inspection and replaced as planned."""
    road = plan.ROAD_SHARE[component]
    special = plan.COST_FAILURE_VOCATIONAL if plan.CLASSES[duty_cycle] == "vocational" else {}
    return road * special.get(component, plan.COST_FAILURE[component]) + (1 - road) * plan.COST_PLANNED[component]


def places_per_truck(component: str, duty_cycle: int) -> float:
    """Return the mean number of places of one component on a truck of one class."""
    counts = [sum(place.component == component for place in layout) for layout in plan.LAYOUTS]
    return float(np.dot(counts, plan.LAYOUT_WEIGHT[duty_cycle]))


def costs_per_mile(duty_cycle: int, intervals: Floats, horizon: float | None) -> Floats:
    """Return the cost per mile of each interval, averaged over trucks: stops, and failures of the greased parts.

    Failures are counted over ``horizon`` miles; None means for ever, one failure per mean life.
    """
    z, share = frailties()
    total = plan.REGREASE_STOP / intervals
    for component in ("joint", "slip_spline"):
        shape, theta = plan.SHAPE[component], plan.THETA[component][duty_cycle]
        effect = z[:, None] * (intervals / plan.REFERENCE_INTERVAL[duty_cycle]) ** theta
        life = plan.ETA[component][duty_cycle] * effect ** (-1 / shape)
        per_mile = 1 / (life * _gamma(1 + 1 / shape)) if horizon is None else renewals(shape, horizon / life) / horizon
        price = places_per_truck(component, duty_cycle) * failure_cost(component, duty_cycle)
        total = total + price * (share[:, None] * per_mile).sum(axis=0)
    return np.asarray(total)


def _gamma(x: float) -> float:
    t = np.linspace(0.0, 60.0, 600_001)
    return float(np.trapezoid(t ** (x - 1) * np.exp(-t), t))


def best_intervals() -> dict[str, Mapping[str, object]]:
    """Return per class the cheapest interval for ever and over the time owned, its flat zone (2 %), and its cost."""
    intervals = np.geomspace(1_000.0, 150_000.0, 2_001)
    found: dict[str, Mapping[str, object]] = {}
    for index, name in enumerate(plan.CLASSES):
        owned = plan.OWNERSHIP_MILES[index]
        for_ever = costs_per_mile(index, intervals, None)
        while_owned = costs_per_mile(index, intervals, owned)
        flat = intervals[while_owned <= while_owned.min() * 1.02]
        found[name] = {
            "for_ever_miles": round(float(intervals[np.argmin(for_ever)])),
            "while_owned_miles": round(float(intervals[np.argmin(while_owned)])),
            "within_published_miles": plan.INTERVAL_GRID
            * round(min(float(intervals[np.argmin(while_owned)]), plan.PUBLISHED_INTERVAL[index]) / plan.INTERVAL_GRID),
            "flat_zone_miles": [round(float(flat[0])), round(float(flat[-1]))],
            "cost_per_1000_miles_while_owned": round(1000 * float(while_owned.min()), 3),
            "cost_per_1000_miles_at_reference": round(
                1000 * float(np.interp(plan.REFERENCE_INTERVAL[index], intervals, while_owned)), 3
            ),
            "ownership_miles": owned,
            "published_interval_miles": plan.PUBLISHED_INTERVAL[index],
        }
    return found

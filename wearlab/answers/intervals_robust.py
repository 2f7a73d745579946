"""What would move the answer: other costs, effects at their limits or nil, other readings of the record."""

from dataclasses import replace

import numpy as np
import pandas as pd

from wearlab.answers.intervals_costs import PartModel, TruckCosts
from wearlab.answers.intervals_decision import Bounds, Choice, choose_interval
from wearlab.answers.intervals_present import PRESENT

ROBUST_COLUMNS = ["duty_cycle", "change", "recommended", "cost_optimal", "limited_by", "saving_per_truck_year"]
GATHERED = "life counted by exposure gathered"


def tabulate_robustness(
    costs: TruckCosts,
    bounds: Bounds,
    current: float,
    shifts: dict[str, dict[str, float]],
    present: TruckCosts | None,
) -> pd.DataFrame:
    """Return the ``robustness`` table of one class: the decision made again under each change.

    ``shifts`` gives by change what to add to each component's effect (another reading of the record); ``present`` the
    costs for the trucks as they stand today, where known.
    """
    changes = {
        "as recommended": costs,
        "regrease stop costs half as much again": replace(costs, stop=costs.stop * 1.5),
        "regrease stop costs a third less": replace(costs, stop=costs.stop / 1.5),
        "failures cost half as much again": _priced(costs, 1.5),
        "failures cost a third less": _priced(costs, 1 / 1.5),
        "effects at their lower limits": _at(costs, "theta_low"),
        "effects at their upper limits": _at(costs, "theta_high"),
        "no effect at all": _shifted(costs, None),
    }
    changes |= {name: _shifted(costs, shift) for name, shift in shifts.items()}
    changes |= {} if present is None else {PRESENT: present}
    rows = [_row(name, changed, bounds, current) for name, changed in changes.items()]
    return pd.DataFrame(rows, columns=ROBUST_COLUMNS)


def _row(name: str, costs: TruckCosts, bounds: Bounds, current: float) -> dict[str, object]:
    choice: Choice = choose_interval(costs, bounds, current)
    both = costs.per_mile(np.array([choice.recommended, current]))[1:].mean(axis=0)
    return {
        "duty_cycle": costs.usage.duty_cycle,
        "change": name,
        "recommended": choice.recommended,
        "cost_optimal": choice.cost_optimal,
        "limited_by": choice.limited_by,
        "saving_per_truck_year": float(both[1] - both[0]) * costs.usage.miles_per_year,
    }


def _priced(costs: TruckCosts, factor: float) -> TruckCosts:
    return replace(costs, parts=tuple(replace(part, cost=part.cost * factor) for part in costs.parts))


def _at(costs: TruckCosts, limit: str) -> TruckCosts:
    return replace(costs, parts=tuple(_with_effect(part, getattr(part, limit)) for part in costs.parts))


def _with_effect(part: PartModel, theta: float | None) -> PartModel:
    """Return the part with its effect known to be ``theta``; unchanged where it is None."""
    if theta is None:
        return part
    return replace(part, theta=np.full_like(part.theta, theta), theta_low=theta, theta_high=theta)


def _shifted(costs: TruckCosts, shift: dict[str, float] | None) -> TruckCosts:
    """Return the costs with each part's effect moved; None: every known effect nil."""
    parts = []
    for part in costs.parts:
        if shift is None:
            parts.append(_with_effect(part, None if part.theta_low is None else 0.0))
            continue
        by = shift.get(part.component, 0.0)
        ends = [None if end is None else end + by for end in (part.theta_low, part.theta_high)]
        parts.append(replace(part, theta=part.theta + by, theta_low=ends[0], theta_high=ends[1]))
    return replace(costs, parts=tuple(parts))

"""The same decision for the trucks as they stand today: parts at their present ages, over the miles still ahead."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy import special

from wearlab.answers.intervals_costs import PartModel, TruckCosts
from wearlab.curves.renewal import Renewals, RenewalTable, interpolate_renewals
from wearlab.history.lives import History

Floats = npt.NDArray[np.float64]

SETS = 61  # parameter sets looked at, the fit itself first
AGES = 5  # ages that stand for those of all parts in service
PRESENT = "trucks as they stand today"
_NODES = 12
_SPANS = np.linspace(np.log(1e-3), np.log(60.0), 60)


def at_present(history: History, costs: TruckCosts) -> TruckCosts | None:
    """Return the costs over the miles that the median truck has still to run, its parts at their present ages.

    A part of age a whose truck has T miles to go fails and is replaced as in a renewal process that starts at age a;
    the older the part, the likelier a small factor of the truck. None where the record does not say, or less than a
    year is left.
    """
    usage, units, lives = costs.usage, history.units, history.lives
    mine = units[(units["duty_cycle"] == usage.duty_cycle) & units["in_service"].astype(bool)]
    left = usage.ownership_miles - float(mine["last_miles"].median()) if len(mine) else 0.0
    if not left >= usage.miles_per_year:
        return None
    running = lives[lives["running"].astype(bool) & lives["unit_id"].isin(mine["unit_id"]) & (lives["exit"] >= 0)]
    parts = []
    for part in costs.parts:
        ages = running.loc[running["component"] == part.component, "exit"].to_numpy(dtype=float)
        if not len(ages):
            return None
        middle = np.quantile(ages, (np.arange(AGES) + 0.5) / AGES)
        parts.append(_aged(part, middle / (left * usage.life_units_per_mile)))
    return replace(costs, usage=replace(usage, ownership_miles=left), parts=tuple(parts))


def _aged(part: PartModel, ratios: Floats) -> PartModel:
    shape, variance = part.shape[:SETS], part.variance[:SETS]
    return replace(
        part,
        theta=part.theta[:SETS],
        shape=shape,
        eta=part.eta[:SETS],
        variance=variance,
        renewals=tabulate_aged(shape, variance, ratios),
    )


def tabulate_aged(shape: Floats, variance: Floats, ratios: Floats) -> Renewals:
    """Return expected failures over a span for parts whose ages are ``ratios`` of it, averaged over them.

    With F the chance that the part in place fails in the span, E = F·(1 + mean of M(span − u)) over the time u of its
    failure, M the renewal function of the truck; averaged over gamma factors given survival to the present age.
    """
    table = interpolate_renewals(shape)
    logs = np.array([_row(table, row, float(variance[row]), ratios) for row in range(len(shape))])
    return Renewals(_SPANS, np.log(np.maximum(logs, 1e-300)))


def _row(table: RenewalTable, row: int, variance: float, ratios: Floats) -> Floats:
    shape = float(table.shapes[row])
    points, weights = np.polynomial.legendre.leggauss(_NODES)
    share, weights = (points + 1) / 2, weights / 2
    span = np.exp(_SPANS)[:, None, None, None]
    age = span * ratios[None, :, None, None]
    borne = age**shape
    if variance > 0:
        k = 1 / np.clip(variance, 1e-6, 25.0)
        z = special.gammaincinv(k, share) / k
        z = (z / (z @ weights))[None, None, :, None] * k / (k + borne)
    else:
        z = np.ones((1, 1, _NODES, 1))
    fails = -np.expm1(-z * ((age + span) ** shape - borne))
    fate = fails * share[None, None, None, :]
    until = (borne - np.log1p(-np.minimum(fate, 1 - 1e-15)) / z) ** (1 / shape) - age
    later = table.at(row, np.maximum(span - until, 0.0) * z ** (1 / shape)) @ weights
    result: Floats = ((fails[..., 0] * (1 + later)) @ weights).mean(axis=1)
    return result

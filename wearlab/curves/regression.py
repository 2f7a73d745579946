"""Lives compared with other differences held equal: Weibull regression, lives longer or shorter by a factor."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from wearlab.curves.observations import FloatArray, Observations
from wearlab.curves.weibull import Weibull


@dataclass(frozen=True, slots=True)
class LifeFactor:
    """By what factor a column lengthens every life (B10 and any other), with its interval and p value."""

    factor: float
    low: float
    high: float
    p_value: float


def compare_lives(obs: Observations, columns: FloatArray, curve: Weibull, *, level: float) -> LifeFactor | None:
    """Return by what factor the first column lengthens life, the other columns held equal; None without a maximum.

    H(t) = (t/η)^β with ln η = c·γ linear in the columns and one shape for all; Newton from ``curve``. Trucks are the
    independent units (sandwich variance: White 1982; Lin & Wei 1989, JASA 84). Failures between two ages, late entry
    and counts enter as in the plain likelihood. lifelines' accelerated-life regression agrees (tests/test_compare.py).
    """
    middle = float(np.average(np.log(obs.exit[obs.failed]), weights=obs.count[obs.failed]))
    design = np.column_stack([np.ones(len(obs)), columns])
    place = np.zeros(design.shape[1] + 1)
    place[0], place[1] = curve.shape, curve.shape * (np.log(curve.eta) - middle)
    found = _climb(obs, design, middle, place)
    if found is None:
        return None
    place, scores, information = found
    trucks, code = np.unique(obs.truck, return_inverse=True)
    by_truck = np.zeros((len(trucks), len(place)))
    np.add.at(by_truck, code, scores * obs.count[:, None])
    inverse = np.linalg.inv(information)
    spread = np.einsum("ti,tj->ij", by_truck, by_truck) * len(trucks) / max(len(trucks) - 1, 1)
    robust = inverse @ spread @ inverse
    shape, effect = place[0], place[2]
    slope = np.zeros(len(place))
    slope[0], slope[2] = -effect / shape**2, 1.0 / shape
    log_factor = effect / shape
    error = float(np.sqrt(slope @ robust @ slope))
    reach = float(norm.ppf(0.5 + 0.5 * level)) * error
    ends = np.exp(log_factor + np.array([-reach, 0.0, reach]))
    return LifeFactor(float(ends[1]), float(ends[0]), float(ends[2]), float(2.0 * norm.sf(abs(log_factor) / error)))


def _climb(
    obs: Observations, design: FloatArray, middle: float, place: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Return the maximum, each life's score there and the observed information, by Newton with halved steps."""
    value = _value(obs, design, middle, place)
    for _ in range(60):
        scores, information = _slopes(obs, design, middle, place)
        gradient = (scores * obs.count[:, None]).sum(axis=0)
        if np.linalg.eigvalsh(information)[0] <= 1e-8:
            return None
        step = np.linalg.solve(information, gradient)
        part = min(1.0, 0.7 * place[0] / max(abs(float(step[0])), 1e-300))
        moved, new = place + part * step, -np.inf
        while part > 1e-8:
            moved = place + part * step
            new = _value(obs, design, middle, moved) if moved[0] > 0 else -np.inf
            if new >= value - 1e-10 * abs(value):
                break
            part *= 0.5
        place, value = moved, new
        if float(np.abs(step).max()) < 1e-9:
            return place, scores, information
    return None


def _hazard(age: FloatArray, design: FloatArray, middle: float, place: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return H at each age (0 at age 0) and its direction of change per parameter."""
    known = age > 0
    x = np.where(known, np.log(np.where(known, age, 1.0)) - middle, 0.0)
    along = np.column_stack([x, -design])
    return np.where(known, np.exp(np.minimum(along @ place, 300.0)), 0.0), along


def _value(obs: Observations, design: FloatArray, middle: float, place: FloatArray) -> float:
    ends = np.where(obs.between, obs.lower, obs.exit)
    gone, _ = _hazard(ends, design, middle, place)
    before, _ = _hazard(obs.entry, design, middle, place)
    at_exit, along = _hazard(obs.exit, design, middle, place)
    exact = obs.failed & ~obs.between
    value = before - gone
    value[exact] += np.log(place[0]) + (along @ place)[exact]
    added = np.maximum((at_exit - gone)[obs.between], 1e-300)
    value[obs.between] += np.log(-np.expm1(-added))
    return float(np.sum(obs.count * value))


def _slopes(obs: Observations, design: FloatArray, middle: float, place: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return each life's score and the observed information."""
    exact, between = obs.failed & ~obs.between, obs.between
    ends = np.where(between, obs.lower, obs.exit)
    scores = np.zeros((len(obs), len(place)))
    information = np.zeros((len(place), len(place)))
    for age, sign in ((ends, -1.0), (obs.entry, 1.0)):
        hazard, along = _hazard(age, design, middle, place)
        scores += sign * hazard[:, None] * along
        information -= sign * _outer(along, obs.count * hazard)
    at_exit, along = _hazard(obs.exit, design, middle, place)
    scores[exact] += along[exact]
    scores[exact, 0] += 1.0 / place[0]
    information[0, 0] += float(obs.count[exact].sum()) / place[0] ** 2
    if between.any():
        gone, low = _hazard(obs.lower[between], design[between], middle, place)
        high = along[between]
        first = at_exit[between, None] * high - gone[:, None] * low
        q = 1.0 / np.expm1(np.clip(at_exit[between] - gone, 1e-150, 500.0))
        count = obs.count[between]
        scores[between] += q[:, None] * first
        information -= _outer(high, count * q * at_exit[between]) - _outer(low, count * q * gone)
        information += _outer(first, count * q * (1.0 + q))
    return scores, information


def _outer(along: FloatArray, weight: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("r,ri,rj->ij", weight, along, along), dtype=np.float64)

"""How a truck's regrease practice moves its expected failures, so that it is held against its class and practice."""

import numpy as np

from wearlab.curves.expected import Bools, Floats, Spans, add_up, shape_of

_FEW = 20.0  # failures below which a class says nothing about practice
_PRIOR = 4.0  # weight of no effect: 1 / variance, a standard deviation of 0.5 for theta


def practice_effects(spans: Spans, log_practice: Floats, classes: int) -> Floats:
    """Return theta of each class: log hazard per unit of ln(miles per regrease stop), drawn toward 0 (ridge).

    ``log_practice`` by stretch, NaN where practice is not known or cannot matter. Maximum of the likelihood of a
    proportional-hazards Weibull curve with a normal prior of standard deviation 0.5 on theta; 0 in a class with fewer
    than 20 failures of known practice. The spread between trucks is left out, which draws theta a little further to 0.
    """
    known = np.isfinite(log_practice)
    out = np.zeros(classes)
    for code in range(classes):
        rows = (spans.stratum == code) & known
        if float(spans.weight[rows & spans.failed].sum()) >= _FEW:
            out[code] = _theta(spans.take(rows), log_practice[rows])
    return out


def relative_hazards(spans: Spans, log_practice: Floats, theta: Floats) -> Floats:
    """Return exp(theta (ln x - mean ln x of the class)) by stretch, means weighted by failures; 1 where not known."""
    known = np.isfinite(log_practice)
    at = np.where(known, log_practice, 0.0)
    weight = np.where(known & spans.failed, spans.weight, 0.0)
    total = add_up(spans.stratum, weight, len(theta))
    middle = add_up(spans.stratum, weight * at, len(theta)) / np.maximum(total, 1.0)
    out: Floats = np.exp(np.where(known, theta[spans.stratum] * (at - middle[spans.stratum]), 0.0))
    return out


def _theta(spans: Spans, log_practice: Floats) -> float:
    """Return theta of one class by turns: the shape given theta, then theta given the shape."""
    x = log_practice - log_practice.mean()
    failed: Bools = spans.failed
    total = float(spans.weight[failed].sum())
    of_failures = float((spans.weight * x)[failed].sum())
    theta = 0.0
    for _ in range(30):
        moved = Spans(
            np.zeros_like(spans.stratum),
            spans.unit,
            spans.life,
            spans.entry,
            spans.exit,
            failed,
            spans.weight,
            np.exp(theta * x),
        )
        hazard = _cumulative(moved, shape_of(moved))
        share = hazard / hazard.sum()
        mean = float(share @ x)
        slope = of_failures - total * mean - _PRIOR * theta
        bend = total * float(share @ (x - mean) ** 2) + _PRIOR
        step = float(np.clip(slope / bend, -0.5, 0.5))
        theta += step
        if abs(step) < 1e-9:
            break
    return theta


def _cumulative(spans: Spans, shape: float) -> Floats:
    scale = np.log(spans.exit).max()
    late = spans.entry > 0
    early = np.where(late, np.exp(shape * (np.log(np.where(late, spans.entry, 1.0)) - scale)), 0.0)
    out: Floats = spans.weight * spans.relative * (np.exp(shape * (np.log(spans.exit) - scale)) - early)
    return out

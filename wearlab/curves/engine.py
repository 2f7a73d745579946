"""The only door to lifelines: the Weibull curve that a reader sees, as the engine fits it."""

import warnings
from dataclasses import dataclass

import numpy as np
from lifelines import WeibullFitter
from lifelines.exceptions import ConvergenceError

from wearlab.curves.observations import Observations
from wearlab.curves.weibull import Weibull

REFUSALS = (ConvergenceError, ValueError, TypeError, ZeroDivisionError, FloatingPointError, np.linalg.LinAlgError)


@dataclass(frozen=True, slots=True)
class EngineFit:
    """What lifelines made of one stratum: its curve, or why there is none."""

    curve: Weibull | None
    warnings: tuple[str, ...]


def fit_with_engine(obs: Observations, start: Weibull) -> EngineFit:
    """Return the Weibull curve of lives with failures, fitted by lifelines.

    ``start`` is a maximum already found. lifelines needs it as a first point where failures known only to lie between
    two ages meet late entry: without it, its answer there is a scale of 1e-9 and no error. A curve whose likelihood is
    not finite, or whose shape and η are not, is no answer.
    """
    fitter = WeibullFitter()
    near = np.array([start.eta, start.shape])
    entry = obs.entry if (obs.entry > 0).any() else None
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            if obs.between.any():
                lower = np.where(obs.between, obs.lower, obs.exit)
                upper = np.where(obs.failed, obs.exit, np.inf)
                point = near if entry is not None else None
                fitter.fit_interval_censoring(lower, upper, entry=entry, weights=obs.count, initial_point=point)
            else:
                fitter.fit(obs.exit, obs.failed, entry=entry, weights=obs.count)
        except REFUSALS as refusal:
            return EngineFit(None, (f"{type(refusal).__name__}: {str(refusal).splitlines()[0]}",))
    messages = tuple(dict.fromkeys(str(item.message).strip().splitlines()[0] for item in caught))
    numbers = (float(fitter.lambda_), float(fitter.rho_), float(fitter.log_likelihood_))
    if not np.isfinite(numbers).all() or min(numbers[:2]) <= 0:
        return EngineFit(None, (*messages, "no finite answer"))
    return EngineFit(Weibull(shape=numbers[1], eta=numbers[0]), messages)


def agrees(engine: EngineFit, own: Weibull, tolerance: float = 1e-3) -> bool:
    """Return whether the engine's curve lies within ``tolerance`` of the polished one, in log η and log β."""
    if engine.curve is None:
        return False
    apart = (np.log(engine.curve.shape / own.shape), np.log(engine.curve.eta / own.eta))
    return bool(np.max(np.abs(apart)) <= tolerance)

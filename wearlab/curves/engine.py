"""The only door to lifelines: the Weibull curve that a reader sees, as the engine fits it."""

import warnings
from dataclasses import dataclass

import numpy as np
from lifelines import WeibullFitter
from lifelines.exceptions import ConvergenceError

from wearlab.curves.observations import FloatArray, Observations
from wearlab.curves.weibull import Weibull

REFUSALS = (ConvergenceError, ValueError, TypeError, ZeroDivisionError, FloatingPointError, np.linalg.LinAlgError)
STOP = {"ftol": 0, "gtol": 1e-11, "maxls": 100}  # its own stop leaves it up to 1e-5 from its maximum
CLOSE = 1e-6  # in ln β and ln η: nearer than this, lifelines has found the same maximum


@dataclass(frozen=True, slots=True)
class EngineFit:
    """What lifelines made of one stratum: its curve, or why there is none."""

    curve: Weibull | None
    warnings: tuple[str, ...]


def fit_with_engine(obs: Observations, start: Weibull) -> EngineFit:
    """Return the Weibull curve of lives with failures, fitted by lifelines.

    ``start`` is a maximum already found. Ages are divided by its η, since the library stops early on ages in miles. It
    begins at its own first point, except where failures known only to lie between two ages meet late entry: without
    one near ``start``, its answer there is a scale of 1e-9 and no error. Where the answer is not within 1e-6 of
    ``start`` it is asked once more from another point, and the second answer is taken unless it is less likely. A curve
    whose likelihood is not finite, or whose shape and η are not, is no answer. An interval that begins at age 0 it
    reads as one from 1e-25 on: at shapes below 0.4 its maximum is another one (``agrees`` then says no).
    """
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            late = bool((obs.entry > 0).any())
            best = _fit(obs, start, _near(start, 0.05) if late and obs.between.any() else None)
            if not agrees(EngineFit(_curve(best, start), ()), start, tolerance=CLOSE):
                again = _fit(obs, start, _near(start, 0.01))
                best = again if again.log_likelihood_ >= best.log_likelihood_ - 1e-9 else best
        except REFUSALS as refusal:
            return EngineFit(None, (f"{type(refusal).__name__}: {str(refusal).splitlines()[0]}",))
    messages = tuple(dict.fromkeys(str(item.message).strip().splitlines()[0] for item in caught))
    curve = _curve(best, start)
    return EngineFit(curve, messages if curve is not None else (*messages, "no finite answer"))


def _near(start: Weibull, off: float) -> FloatArray:
    """Return a first point beside the maximum, on ages divided by its η."""
    return np.array([1.0 - off / start.shape, start.shape * (1.0 + off)])


def _fit(obs: Observations, start: Weibull, point: FloatArray | None) -> WeibullFitter:
    fitter = WeibullFitter()
    entry = obs.entry / start.eta if (obs.entry > 0).any() else None
    more = {"entry": entry, "weights": obs.count, "initial_point": point, "fit_options": STOP}
    if obs.between.any():
        lower = np.where(obs.between, obs.lower, obs.exit) / start.eta
        upper = np.where(obs.failed, obs.exit, np.inf) / start.eta
        return fitter.fit_interval_censoring(lower, upper, **more)
    return fitter.fit(obs.exit / start.eta, obs.failed, **more)


def _curve(fitter: WeibullFitter, start: Weibull) -> Weibull | None:
    numbers = (float(fitter.lambda_) * start.eta, float(fitter.rho_), float(fitter.log_likelihood_))
    if not np.isfinite(numbers).all() or min(numbers[:2]) <= 0:
        return None
    return Weibull(shape=numbers[1], eta=numbers[0])


def agrees(engine: EngineFit, own: Weibull, tolerance: float = 1e-5) -> bool:
    """Return whether the engine's curve lies within ``tolerance`` of the polished one, in log η and log β."""
    if engine.curve is None:
        return False
    apart = (np.log(engine.curve.shape / own.shape), np.log(engine.curve.eta / own.eta))
    return bool(np.max(np.abs(apart)) <= tolerance)

"""Two populations in one stratum: parts that fail early beside parts that wear out."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.stats import chi2

from wearlab.curves.observations import FloatArray, Observations
from wearlab.curves.weibull import Weibull


@dataclass(frozen=True, slots=True)
class TwoPopulations:
    """A share of parts that fails early beside the rest: each population's curve, and how much better both fit.

    ``p_value`` is that of the likelihood ratio against one curve, with three more parameters (conservative).
    """

    early_share: float
    early: Weibull
    rest: Weibull
    p_value: float


def find_two_populations(obs: Observations, curve: Weibull, log_likelihood: float) -> TwoPopulations | None:
    """Return the mixture of two Weibull curves that fits best, started from several places; None where none is better.

    F(t) = π·F₁(t) + (1 − π)·F₂(t), the first population failing earlier. Source: Kao (1959), Technometrics 1.
    """

    def loss(place: FloatArray) -> float:
        share, early, rest = _populations(place)
        value = _log_mixture(obs, share, early, rest)
        return -value if np.isfinite(value) else 1e300

    best: tuple[float, FloatArray] | None = None
    for share, sooner in ((0.08, 0.1), (0.3, 0.4)):
        start = np.array(
            [np.log(share / (1 - share)), 0.0, np.log(sooner), np.log(curve.shape * 1.3), np.log(curve.eta)]
        )
        start[2] += start[4]
        found = minimize(loss, start, method="Nelder-Mead", options={"maxiter": 500, "xatol": 1e-3, "fatol": 1e-4})
        if best is None or found.fun < best[0]:
            best = (float(found.fun), found.x)
    if best is None or -best[0] <= log_likelihood + 1e-3:
        return None
    share, early, rest = _populations(best[1])
    if early.life_at(0.5) > rest.life_at(0.5):
        share, early, rest = 1.0 - share, rest, early
    ratio = 2.0 * (-best[0] - log_likelihood)
    return TwoPopulations(share, early, rest, float(chi2.sf(ratio, 3)))


def _populations(place: FloatArray) -> tuple[float, Weibull, Weibull]:
    share = float(1.0 / (1.0 + np.exp(-np.clip(place[0], -12, 12))))
    shapes = np.exp(np.clip(place[[1, 3]], -2.5, 3.5))
    etas = np.exp(np.clip(place[[2, 4]], -40, 60))
    return share, Weibull(float(shapes[0]), float(etas[0])), Weibull(float(shapes[1]), float(etas[1]))


def _log_mixture(obs: Observations, share: float, early: Weibull, rest: Weibull) -> float:
    def survival(age: FloatArray) -> FloatArray:
        return share * early.survival(age) + (1.0 - share) * rest.survival(age)

    exact, between = obs.failed & ~obs.between, obs.between
    running = ~obs.failed
    age = obs.exit[exact]
    density = share * early.survival(age) * early.hazard(age) + (1.0 - share) * rest.survival(age) * rest.hazard(age)
    with np.errstate(divide="ignore"):
        value = np.sum(obs.count[exact] * np.log(density))
        value += np.sum(obs.count[running] * np.log(survival(obs.exit[running])))
        value += np.sum(obs.count[between] * np.log(survival(obs.lower[between]) - survival(obs.upper[between])))
        value -= np.sum(obs.count * np.log(survival(obs.entry)))
    return float(value)

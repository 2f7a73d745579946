"""Life curves when trucks differ: a Weibull hazard times a truck's own gamma factor (mean 1, variance φ).

One truck gives many lives, all worn by its own driver, route and care. Taken as independent they make every interval
too narrow. With the factor integrated out a truck is one independent piece of the likelihood (``truck_likelihood``).

Late entry enters through H alone. A term for having survived to entry would be right if a truck whose part failed
earlier were never seen. In a fleet it is seen, with a new part: the age of a part at the start of the record says that
it survived so long and also that its forerunner was renewed, and the two nearly cancel. Measured on simulated fleets
renewed before the record (tests/studies/renewed.md).
"""

from dataclasses import dataclass

import numpy as np

from wearlab.curves.observations import FloatArray, Observations
from wearlab.curves.truck_likelihood import Surface, TruckLikelihood, truck_likelihood
from wearlab.curves.weibull import Weibull

ALL = (0, 1, 2)  # ln β, ln η, √φ


@dataclass(frozen=True, slots=True)
class TruckFit:
    """A truck of mean wear has ``curve``; ``variance`` is the spread φ of the trucks' hazards about it."""

    curve: Weibull
    variance: float
    log_likelihood: float
    likelihood: TruckLikelihood
    scales: FloatArray  # about one standard error of ln β, ln η and √φ

    def failed_share(self, age: FloatArray) -> FloatArray:
        """Return the share failed by an age, averaged over trucks: 1 − (1 + φH)^(−1/φ)."""
        hazard = self.curve.cumulative_hazard(age)
        return -np.expm1(-_averaged(hazard, self.variance))

    def life_at(self, share: float) -> float:
        """Return the age by which a share has failed, averaged over trucks."""
        full = -np.log1p(-share)
        hazard = np.expm1(self.variance * full) / self.variance if self.variance > 1e-9 else full
        return float(self.curve.eta * hazard ** (1.0 / self.curve.shape))


def _averaged(hazard: FloatArray, variance: float) -> FloatArray:
    return np.asarray(np.log1p(variance * hazard) / variance if variance > 1e-9 else hazard, dtype=np.float64)


def fit_trucks(obs: Observations, plain: Weibull) -> TruckFit | None:
    """Return the curve with a truck factor, started from the plain one; None where no maximum is reached."""
    likelihood = truck_likelihood(obs)
    scales = truck_scales(obs, plain)
    best: Climbed | None = None
    for spread in (0.6, 0.05):
        start = np.array([np.log(plain.shape), np.log(plain.eta), spread])
        found = climb(likelihood.slopes, start, scales, free=ALL)
        if found.reached and (best is None or found.value > best.value + 1e-9):
            best = found
    if best is None:
        return None
    log_shape, log_eta, root = best.point
    curve = Weibull(shape=float(np.exp(log_shape)), eta=float(np.exp(log_eta)))
    return TruckFit(curve, float(root**2), best.value, likelihood, truck_scales(obs, curve))


def truck_scales(obs: Observations, curve: Weibull) -> FloatArray:
    """Return about one standard error of ln β, ln η and √φ."""
    size = 1.0 / np.sqrt(max(obs.failures, 1))
    return np.array([size, size / curve.shape, 0.15])


@dataclass(frozen=True, slots=True)
class Climbed:
    """Where a search ended, the value there, and whether that is a maximum."""

    point: FloatArray
    value: float
    reached: bool


def climb(surface: Surface, start: FloatArray, scales: FloatArray, *, free: tuple[int, ...]) -> Climbed:
    """Return the maximum over the ``free`` coordinates near ``start``, the others held, by Newton with a ridge."""
    which = list(free)
    point, here, ridge = start, surface(start[None, :]), 0.0
    for _ in range(60):
        gradient = here.gradient[0, which] * scales[which]
        bend = -here.curvature[0][np.ix_(which, which)] * np.outer(scales[which], scales[which])
        lowest = float(np.linalg.eigvalsh(bend)[0])
        step = np.linalg.solve(bend + (max(0.0, 1e-3 - lowest) + ridge) * np.eye(len(which)), gradient)
        step *= min(1.0, 4.0 / float(np.abs(step).max() + 1e-300))
        moved = point.copy()
        moved[which] += step * scales[which]
        there, value = surface(moved[None, :]), float(here.value[0])
        if there.value[0] >= value - 1e-10 * (1.0 + abs(value)):
            point, here, ridge = moved, there, 0.0 if ridge < 1e-2 else ridge / 10
            if float(np.abs(step).max()) < 1e-5:
                return Climbed(point, max(float(here.value[0]), value), lowest > 0)
        else:
            ridge = max(10.0 * ridge, 0.1 + abs(lowest))
            if ridge > 1e12:
                break
    return Climbed(point, float(here.value[0]), reached=False)

"""The Weibull life curve as plain mathematics: R(t) = exp(−(t/η)^β)."""

from dataclasses import dataclass
from math import gamma

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Weibull:
    """A life curve with shape β and characteristic life η (the age by which 63.2 % have failed), in the scale of η.

    Every method takes a number or an array of ages and returns the like. Source: Weibull (1951), J. Appl. Mech. 18.
    """

    shape: float
    eta: float

    def cumulative_hazard(self, t: npt.ArrayLike) -> FloatArray:
        """Return H(t) = (t/η)^β; ages below zero count as zero."""
        return np.power(np.maximum(np.asarray(t, dtype=np.float64), 0.0) / self.eta, self.shape)

    def survival(self, t: npt.ArrayLike) -> FloatArray:
        """Return R(t) = exp(−H(t)), the share still running at age t."""
        return np.exp(-self.cumulative_hazard(t))

    def failed_share(self, t: npt.ArrayLike) -> FloatArray:
        """Return F(t) = 1 − R(t), the share failed by age t, exact for small shares."""
        return -np.expm1(-self.cumulative_hazard(t))

    def hazard(self, t: npt.ArrayLike) -> FloatArray:
        """Return h(t) = (β/η)·(t/η)^(β−1), failures per unit of age; infinite at age 0 where β < 1."""
        with np.errstate(divide="ignore"):
            power = np.power(np.maximum(np.asarray(t, dtype=np.float64), 0.0) / self.eta, self.shape - 1.0)
        return self.shape / self.eta * power

    def life_at(self, failed_share: npt.ArrayLike) -> FloatArray:
        """Return the age η·(−ln(1 − share))^(1/β) by which a share (0 to 1) has failed; ``life_at(0.1)`` is B10."""
        return self.eta * np.power(-np.log1p(-np.asarray(failed_share, dtype=np.float64)), 1.0 / self.shape)

    def mean_life(self) -> float:
        """Return the mean life η·Γ(1 + 1/β)."""
        return self.eta * gamma(1.0 + 1.0 / self.shape)

    def conditional_failed_share(self, t: npt.ArrayLike, entry: npt.ArrayLike) -> FloatArray:
        """Return the share of parts running at ``entry`` that fails by age t: 1 − R(t)/R(entry); 0 for t ≤ entry."""
        further = self.cumulative_hazard(t) - self.cumulative_hazard(entry)
        return -np.expm1(-np.maximum(further, 0.0))

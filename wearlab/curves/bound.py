"""What can still be said without failures: a lower bound for the life at an assumed shape."""

import numpy as np
from scipy.stats import chi2

from wearlab.curves.observations import Observations
from wearlab.curves.weibull import Weibull

ASSUMED_SHAPE = 2.0  # wear-out of a rolling joint, common practice, no source; used where the class has no shape


def bound_life(obs: Observations, *, shape: float, level: float) -> Weibull:
    """Return the curve whose life is the one-sided lower bound at confidence ``level`` for an assumed shape.

    η ≥ (2·Σ(exit^β − entry^β)/χ²(level; 2r + 2))^(1/β) with r failures, observation ended by time; with r = 0 this is
    (Σ t^β / −ln(1 − level))^(1/β). Source: one-parameter Weibull, IEC 61649; the bound inverts the Poisson count.
    """
    scale = float(obs.exit.max())
    total = float(np.sum(obs.count * ((obs.exit / scale) ** shape - (obs.entry / scale) ** shape)))
    eta = scale * (2.0 * total / float(chi2.ppf(level, 2 * obs.failures + 2))) ** (1.0 / shape)
    return Weibull(shape=shape, eta=eta)

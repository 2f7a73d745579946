"""Whether parts fitted later in a place last as long as the first, so that all their lives are one population."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm

from wearlab.curves.frailty import climb, truck_scales
from wearlab.curves.observations import BoolArray, Observations
from wearlab.curves.truck_likelihood import truck_likelihood
from wearlab.curves.weibull import Weibull

ENOUGH = 10  # failures of each kind


@dataclass(frozen=True, slots=True)
class Successive:
    """The hazard of later parts over that of first ones, on the same trucks, with its interval.

    ``ratio`` above 1: parts fitted later wear out sooner.
    """

    first_failures: int
    later_failures: int
    ratio: float
    low: float
    high: float
    p_value: float


def compare_successive(
    obs: Observations, later: BoolArray, curve: Weibull, *, level: float, spread: bool = True
) -> Successive | None:
    """Return how later parts compare with first ones; None with fewer than ten failures of either.

    The likelihood with a truck factor, so that bad trucks, which see more parts, are not taken for bad parts. Without
    one where ``spread`` is False: with one life per truck their spread cannot be seen, and would be mixed up with what
    comes late in life. p by the likelihood ratio, the interval symmetric in the log. A test of a trend in age of place
    would call new places that wear out in step a trend; this one compares ages of parts.
    """
    first_failures = round(float(obs.count[obs.failed & ~later].sum()))
    later_failures = round(float(obs.count[obs.failed & later].sum()))
    if min(first_failures, later_failures) < ENOUGH:
        return None
    surface = truck_likelihood(obs, later).slopes
    scales = np.append(truck_scales(obs, curve), 1.0 / np.sqrt(min(first_failures, later_failures)))
    start = np.array([np.log(curve.shape), np.log(curve.eta), 0.4 if spread else 0.0, 0.0])
    alike = (0, 1, 2) if spread else (0, 1)
    without = climb(surface, start, scales, free=alike)
    found = climb(surface, without.point, scales, free=(*alike, 3))
    if not (without.reached and found.reached):
        return None
    change = float(found.point[3])
    ratio = 2.0 * max(found.value - without.value, 0.0)
    error = abs(change) / np.sqrt(ratio) if ratio > 1e-8 else float(scales[3])
    reach = float(norm.ppf(0.5 + 0.5 * level)) * error
    ends = np.exp(change + np.array([-reach, 0.0, reach]))
    return Successive(
        first_failures, later_failures, float(ends[1]), float(ends[0]), float(ends[2]), float(chi2.sf(ratio, 1))
    )

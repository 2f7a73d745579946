"""Whether parts fitted later in a place last as long as the first, so that all their lives are one population."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm

from wearlab.curves.frailty import TruckLikelihood, Values, climb, truck_likelihood, truck_scales
from wearlab.curves.observations import BoolArray, FloatArray, Observations
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
    values = truck_likelihood(obs, later).values if spread else _without_spread(truck_likelihood(obs, later))
    own = truck_scales(obs, curve) if spread else truck_scales(obs, curve)[:2]
    scales = np.append(own, 1.0 / np.sqrt(min(first_failures, later_failures)))
    start = np.array([np.log(curve.shape), np.log(curve.eta), 0.4])[: len(own)]
    without, value, reached = climb(lambda points: values(_with_column(points)), start, own)
    point, best, reached_too = climb(values, np.append(without, 0.0), scales)
    if not (reached and reached_too):
        return None
    ratio = 2.0 * max(best - value, 0.0)
    error = abs(point[-1]) / np.sqrt(ratio) if ratio > 1e-8 else float(scales[-1])
    reach = float(norm.ppf(0.5 + 0.5 * level)) * error
    ends = np.exp(point[-1] + np.array([-reach, 0.0, reach]))
    return Successive(
        first_failures, later_failures, float(ends[1]), float(ends[0]), float(ends[2]), float(chi2.sf(ratio, 1))
    )


def _with_column(points: FloatArray) -> FloatArray:
    """Return the points with a last coordinate of 0: no difference between first and later parts."""
    return np.column_stack([points, np.zeros(len(points))])


def _without_spread(likelihood: TruckLikelihood) -> Values:
    """Return the likelihood of (ln β, ln η, γ), trucks being alike."""

    def values(points: FloatArray) -> FloatArray:
        return likelihood.values(np.column_stack([points[:, :2], np.zeros(len(points)), points[:, 2]]))

    return values

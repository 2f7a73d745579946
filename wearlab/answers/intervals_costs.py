"""What a truck costs at each regrease interval: stops, failures and their uncertainty, while the fleet keeps it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from wearlab.answers.intervals_today import Usage
from wearlab.curves.practice import Draws, PracticeFit
from wearlab.curves.renewal import Renewals, tabulate_renewals
from wearlab.history.config import Costs

Floats = npt.NDArray[np.float64]
SETS = 400


@dataclass(frozen=True, slots=True)
class PartModel:
    """One component in one class: parameter sets (the first is the fit itself) and what a failure costs."""

    component: str
    positions: float
    cost: float  # of one failure: on the road or found at inspection, in the shares seen; NaN where not given
    reference_miles: float
    theta: Floats
    theta_low: float | None
    theta_high: float | None
    shape: Floats
    eta: Floats
    variance: Floats
    renewals: Renewals

    def eta_at(self, intervals: Floats, *, theta: Floats | None = None) -> Floats:
        """Return η (sets, intervals): η_ref · (x/x_ref)^(−θ/β)."""
        gamma = (self.theta if theta is None else theta) / self.shape
        result: Floats = self.eta[:, None] * np.exp(-np.outer(gamma, np.log(intervals / self.reference_miles)))
        return result

    def failures(self, intervals: Floats, horizon: float, *, theta: Floats | None = None) -> Floats:
        """Return expected failures of one truck's parts (sets, intervals) over ``horizon``, new parts at its start."""
        return self.positions * self.renewals.at(horizon / self.eta_at(intervals, theta=theta))

    def life_at(self, intervals: Floats, share: float) -> Floats:
        """Return the age by which ``share`` have failed (sets, intervals), averaged over trucks."""
        v = np.maximum(self.variance, 1e-9)[:, None]
        hazard = np.expm1(-v * np.log1p(-share)) / v
        result: Floats = self.eta_at(intervals) * hazard ** (1 / self.shape[:, None])
        return result

    def mean_life(self, intervals: Floats) -> Floats:
        """Return the mean life of a truck of the class mean (z = 1), sets by intervals."""
        result: Floats = self.eta_at(intervals) * special.gamma(1 + 1 / self.shape[:, None])
        return result


def make_part(fit: PracticeFit, draws: Draws, usage: Usage, costs: Costs) -> PartModel | None:
    """Return the model of the fit's component in one class, or None where the fit has nothing on that class."""
    effect = fit.effect(usage.duty_cycle)
    if effect is None:
        return None
    at = fit.effects.index(effect)
    price = costs.part(fit.component, usage.duty_cycle)
    road = usage.on_road.get(fit.component, 1.0)
    shape = np.concatenate([[effect.shape], draws.shape[:, at]])
    variance = np.concatenate([[fit.frailty_variance], draws.variance])
    return PartModel(
        component=fit.component,
        positions=usage.positions.get(fit.component, 0.0),
        cost=float("nan") if price is None else road * price.failure + (1 - road) * price.planned,
        reference_miles=effect.reference_miles,
        theta=np.concatenate([[effect.theta or 0.0], draws.theta[:, at]]),
        theta_low=effect.theta_low,
        theta_high=effect.theta_high,
        shape=shape,
        eta=np.concatenate([[effect.eta], draws.eta[:, at]]),
        variance=variance,
        renewals=tabulate_renewals(shape, variance),
    )


@dataclass(frozen=True, slots=True)
class TruckCosts:
    """The cost per mile of one truck of a class at any regrease interval."""

    usage: Usage
    stop: float  # of one regrease stop, harm included
    parts: tuple[PartModel, ...]

    @property
    def horizon(self) -> float:
        """Return the time with the fleet in units of the life scale."""
        return self.usage.ownership_miles * self.usage.life_units_per_mile

    def failures_per_mile(self, intervals: Floats) -> Floats:
        """Return expected failures per mile of all greased parts (sets, intervals)."""
        total = np.zeros((len(self.parts[0].theta), len(intervals)))
        for part in self.parts:
            total += part.failures(intervals, self.horizon)
        return total / self.usage.ownership_miles

    def per_mile(self, intervals: Floats) -> Floats:
        """Return C(τ) = c_stop/τ + Σ c_k·M_k(T; τ)/T per mile (sets, intervals)."""
        return self._per_mile(intervals, None)

    def at_high_effects(self, intervals: Floats) -> Floats:
        """Return the cost per mile with every effect at its upper limit."""
        return self._per_mile(intervals, [part.theta_high for part in self.parts])

    def proven_only(self, intervals: Floats) -> Floats:
        """Return the cost per mile counting only the effects whose lower limit is above 0."""
        return self._per_mile(
            intervals, [None if part.theta_low is not None and part.theta_low > 0 else 0.0 for part in self.parts]
        )

    def _per_mile(self, intervals: Floats, effects: list[float | None] | None) -> Floats:
        total = np.zeros((len(self.parts[0].theta), len(intervals)))
        for k, part in enumerate(self.parts):
            fixed = None if effects is None else effects[k]
            theta = None if fixed is None else np.full_like(part.theta, fixed)
            total += part.cost * part.failures(intervals, self.horizon, theta=theta)
        return self.stop / intervals + total / self.usage.ownership_miles

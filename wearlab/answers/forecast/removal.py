"""Parts replaced that had not failed (planned, with their mate, unknown): at which ages, and on which trucks.

The hazard of such a replacement is a Weibull of the part's age times the truck's own gamma factor: some trucks are on a
plan and others never, and a plan has an age. With D such replacements and H the truck's summed hazard in the record,
what is known of the factor is gamma(k + D, k + H), k = 1/φ (Klein & Moeschberger 2003, ch. 13), so that a part is still
there after a further hazard h with chance (1 + h/(k + H))^−(k + D).
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import minimize

from wearlab.answers.forecast.model import Stratum, at_shape, make_stratum, plain_values, truck_sums
from wearlab.answers.forecast.places import as_lives

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

NO_RENEWAL = ("failure", "running", "out_of_service", "campaign", "position_unknown")
FEWEST = 8  # such replacements below which they are taken to come at a steady rate
NO_SPREAD = 1e9
WIDEST = 2.5  # √φ: a few trucks do it all


@dataclass(frozen=True, slots=True)
class Removals:
    """The hazard βλt^(β−1) of replacement without failure, ages in the curve's unit; per row gamma(``own``, ``seen``).

    ``rows`` are trucks as learnt, places once taken. ``spread`` is k = 1/φ.
    """

    shape: float
    rate: float
    spread: float
    own: FloatArray
    seen: FloatArray
    count: float

    def take(self, rows: IntArray | slice) -> "Removals":
        """Return the named rows only."""
        return replace(self, own=self.own[rows], seen=self.seen[rows])

    def fresh(self) -> "Removals":
        """Return one row of a truck of which nothing is known."""
        return replace(self, own=np.array([self.spread]), seen=np.array([self.spread]))

    def kept(self, age: FloatArray, ahead: FloatArray) -> FloatArray:
        """Return the chance that a part of each age is not so replaced in each step ahead (rows × steps)."""
        if self.rate <= 0:
            return np.ones(ahead.shape)
        further = self.rate * ((age[:, None] + ahead) ** self.shape - age[:, None] ** self.shape)
        return np.asarray(np.exp(-self.own[:, None] * np.log1p(further / self.seen[:, None])))

    def draw(self, draws: int, rng: np.random.Generator) -> FloatArray:
        """Return the rate of each row by draw: the truck's factor, and the level as uncertain as its count."""
        if self.rate <= 0:
            return np.zeros((draws, len(self.own)))
        level = rng.gamma(self.count, 1.0 / self.count, (draws, 1))
        known = self.spread < NO_SPREAD
        z = rng.gamma(self.own, size=(draws, len(self.own))) / self.seen if known else 1.0
        return np.broadcast_to(self.rate * level * z, (draws, len(self.own)))


def steady_removals(rate: float, size: int) -> Removals:
    """Return replacements at a steady rate on every truck."""
    ones = np.full(size, NO_SPREAD)
    return Removals(1.0, rate, NO_SPREAD, ones, ones, 1e6)


def learn_removals(lives: pd.DataFrame, trucks: pd.Index, unit_of_age: float) -> Removals:
    """Return at which ages and on which trucks parts of these lives were replaced without having failed.

    A steady rate where there were few, or where no curve has a maximum. Campaigns do not come again and are left out.
    """
    other = ~lives["ending"].isin(NO_RENEWAL) & lives["ending"].notna()
    rows = lives.assign(failed=other.to_numpy(dtype=bool))
    count = float(rows.loc[rows["failed"], "count"].sum())
    if lives.empty or count == 0:
        return steady_removals(0.0, len(trucks))
    stratum = make_stratum(as_lives(rows, trucks, between=False), unit_of_age)
    plain = plain_values(stratum) if count >= FEWEST else None
    if plain is None:
        return replace(steady_removals(count / stratum.exposure, len(trucks)), count=count)
    shape, level, spread = _climb(stratum, *plain)
    sums = truck_sums(stratum, shape, len(trucks))
    k = 1.0 / spread**2 if spread > 0 else NO_SPREAD
    rate = float(np.exp(level))
    if spread == 0:
        return replace(steady_removals(rate, len(trucks)), shape=shape, count=count)
    return Removals(shape, rate, k, k + sums.failures, k + rate * sums.gained, count)


def _climb(stratum: Stratum, shape: float, level: float) -> tuple[float, float, float]:
    """Return β, ln λ and √φ of the greatest likelihood."""

    def lost(at: FloatArray) -> float:
        if not -2.0 < at[0] < 2.7 or not 0.0 <= at[2] <= WIDEST:
            return 1e12
        here = at_shape(stratum, float(np.exp(at[0])))
        return -float(here.log_likelihood(at[1:2], float(at[2]) if at[2] > 0.05 else 0.0)[0])

    starts = ([np.log(shape), level, 0.0], [np.log(shape), level, 1.0])
    found = min((minimize(lost, np.array(s), method="Nelder-Mead", tol=1e-6) for s in starts), key=lambda one: one.fun)
    spread = float(found.x[2])
    return float(np.exp(found.x[0])), float(found.x[1]), spread if spread > 0.05 else 0.0

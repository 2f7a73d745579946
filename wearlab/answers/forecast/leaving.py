"""Trucks leave service by their miles: how likely each is still there at the end of the months ahead."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.curves.batch import fit_weibulls
from wearlab.curves.observations import make_observations
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]

MILES = 1e5  # the unit in which a truck's miles are powered
FEWEST_LEFT = 10


@dataclass(frozen=True, slots=True)
class Leaving:
    """By place or truck: miles now and ahead (in MILES), and the Weibull of miles at leaving (λ = 0: stays)."""

    odometer: FloatArray
    drive: FloatArray
    shape: FloatArray
    rate: FloatArray
    left: int  # trucks that left, from which the rates were learnt

    def take(self, rows: npt.NDArray[np.int64] | slice) -> "Leaving":
        """Return the named rows only."""
        return Leaving(self.odometer[rows], self.drive[rows], self.shape[rows], self.rate[rows], self.left)

    def still(self, share: FloatArray) -> FloatArray:
        """Return the chance of being in service after each share of the way ahead (rows × shares)."""
        shape, start = self.shape[:, None], self.odometer[:, None]
        end = start + self.drive[:, None] * share
        return np.asarray(np.exp(-self.rate[:, None] * (end**shape - start**shape)))

    def draw(self, factor: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Return the share of the way that each truck serves, by draw, at ``factor`` times its expected use.

        One draw has one rate for all: gamma, as uncertain as the number that left leaves it.
        """
        level = rng.gamma(self.left, 1.0 / self.left, (len(factor), 1)) if self.left else np.ones((len(factor), 1))
        rate = np.where(self.rate > 0, self.rate, np.nan) * level
        power = self.odometer**self.shape + rng.standard_exponential((len(factor), len(self.rate))) / rate
        reach = (power ** (1.0 / self.shape) - self.odometer) / np.maximum(self.drive * factor, 1e-12)
        return np.asarray(np.minimum(np.nan_to_num(reach, nan=1.0), 1.0))


def stay(size: int) -> Leaving:
    """Return trucks that never leave."""
    return Leaving(np.zeros(size), np.zeros(size), np.ones(size), np.zeros(size), 0)


def foresee_leaving(history: History, trucks: pd.Index, days: float, *, new: pd.DataFrame | None = None) -> Leaving:
    """Return how likely each truck is to leave service over so many days.

    ``new``: trucks yet to join, by ``unit_id`` their ``duty_cycle`` and ``share`` of the days in service. Miles at
    leaving follow a Weibull per class (all classes together below ten that left, a steady rate per mile where
    there is no curve), trucks still in service censored, those in service before the record entering late.
    """
    units = history.units.set_index("unit_id").sort_index()
    exit_ = units["last_miles"].astype(float).to_numpy() / MILES
    entry = np.maximum(exit_ - units["exposure_miles"].astype(float).to_numpy() / MILES, 0.0)
    left = ~units["in_service"].to_numpy(dtype=bool)
    usable = np.isfinite(exit_) & np.isfinite(entry) & (exit_ > entry)
    duty = units["duty_cycle"].astype(str).to_numpy()
    whole = _fit(entry[usable], exit_[usable], left[usable])
    shape, rate = np.ones(len(units)), np.zeros(len(units))
    for name in np.unique(duty):
        own = usable & (duty == name)
        law = _fit(entry[own], exit_[own], left[own]) if left[own].sum() >= FEWEST_LEFT else whole
        shape[duty == name], rate[duty == name] = law
    daily = units["miles_per_day"].astype(float).to_numpy()
    known = np.isfinite(exit_) & np.isfinite(daily)
    drive = np.where(known, daily, 0.0) * days / MILES
    laws = pd.DataFrame(
        {"at": np.where(known, exit_, 0.0), "drive": drive, "shape": shape, "rate": np.where(known, rate, 0.0)},
        index=units.index,
    )
    if new is not None and len(new):
        by_class = laws[~left].groupby(duty[~left]).agg({"shape": "first", "rate": "max", "drive": "mean"})
        own_class = by_class.reindex(new["duty_cycle"]).set_axis(new.index)
        way = own_class["drive"] * new["share"].astype(float)
        laws = pd.concat([laws, own_class.assign(at=0.0, drive=way)])
    own = laws.reindex(trucks)
    odometer, drive, shape, rate = (own[name].to_numpy(dtype=float) for name in ("at", "drive", "shape", "rate"))
    return Leaving(odometer, drive, shape, rate, int(left[usable].sum()))


def _fit(entry: FloatArray, exit_: FloatArray, left: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """Return shape and λ of miles at leaving; a steady rate where there is no maximum, 0 where none left."""
    if not left.any():
        return 1.0, 0.0
    lives = make_observations(exit_, left, entry=entry)
    fits = fit_weibulls(lives, np.zeros(len(lives), dtype=np.int64), strata=1)
    if left.sum() >= FEWEST_LEFT and fits.converged[0] and fits.shape[0] < 20.0:
        shape = float(fits.shape[0])
        return shape, float(np.exp(-shape * fits.log_eta[0]))
    return 1.0, float(left.sum() / (exit_ - entry).sum())

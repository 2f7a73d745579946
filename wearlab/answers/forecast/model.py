"""The life curve behind a forecast: Weibull with a truck frailty per component, its best values and its doubt.

Hazard of truck i in stratum s: z_i·β_s·λ_s·t^(β_s−1), with λ = η^(−β) and z_i gamma with mean 1 and variance φ, one φ
per component. With D failures and H the truck's summed hazard in the record, the truck's likelihood is
Γ(k+D)/Γ(k)·k^k/(k+H)^(k+D), k = 1/φ, times the failures' own hazards; what is then known of z_i is a gamma distribution
with shape k+D and rate k+H (Klein & Moeschberger 2003, ch. 13). What the ages of its parts on entering the record tell
of a truck adds to k (``before``): gamma(k+r, k+H₀) stands in place of gamma(k, k).

The doubt is the likelihood itself, spread over a grid of (ln β, ln λ, √φ) as if flat: with few failures it is skewed,
which no bell curve would show.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import gammaln

from wearlab.curves.batch import fit_weibulls
from wearlab.curves.observations import Observations

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SPREADS = np.array([0.0, 0.2, 0.35, 0.5, 0.65, 0.8, 1.0, 1.3])  # √φ
SHAPES, LEVELS = 40, 40
SHAPE_RANGE = (0.2, 12.0)
OUT_OF_REACH = 14.0  # log-likelihood below the best at which the grid ends


@dataclass(frozen=True, slots=True)
class Stratum:
    """The lives of one stratum, or their stretches, ages divided by ``unit_of_age`` so that no power overflows.

    ``pressure`` multiplies the hazard of a row (practice, hardware); ``late`` is 1 on the first row of a life that
    enters late, ``told`` what its renewal before the record tells (a power of z).
    """

    lives: Observations
    unit_of_age: float
    pressure: FloatArray
    late: FloatArray
    told: FloatArray

    @property
    def exposure(self) -> float:
        """The ages lived through, counts and pressure included."""
        return self.hazard(1.0)

    def hazard(self, shape: float) -> float:
        """Return Σ (exit^β − entry^β), counts and pressure included."""
        lives = self.lives
        return float((lives.count * self.pressure * (lives.exit**shape - lives.entry**shape)).sum())

    @property
    def failures(self) -> float:
        """Failures, counts included."""
        return float(self.lives.count[self.lives.failed].sum())

    @property
    def oldest_failure(self) -> float:
        """The greatest age at failure in the history's own scale; 0 without failures."""
        return float(self.lives.exit[self.lives.failed].max(initial=0.0) * self.unit_of_age)


@dataclass(frozen=True, slots=True)
class Curve:
    """A stratum's curve: best values, and as many draws from what the data leaves open."""

    shape: float
    rate: float  # λ = η^(−β), in the stratum's unit of age
    frailty: float  # φ
    shapes: FloatArray
    rates: FloatArray
    frailties: FloatArray
    unit_of_age: float
    origin: str

    @property
    def eta(self) -> float:
        """Characteristic life in the history's own scale."""
        return float(self.unit_of_age * self.rate ** (-1.0 / self.shape))


@dataclass(frozen=True, slots=True)
class TruckSums:
    """Per truck, for one shape: Σ(exit^β − entry^β), failures, and before the record Σ entry^β and powers of z."""

    gained: FloatArray
    failures: FloatArray
    before: FloatArray
    told: FloatArray


def make_stratum(
    lives: Observations, unit_of_age: float, *, pressure: FloatArray | None = None, late: FloatArray | None = None
) -> Stratum:
    """Return the rows with their ages divided by ``unit_of_age``; without more, whole lives at a pressure of 1."""
    scaled = Observations(
        lives.entry / unit_of_age,
        lives.exit / unit_of_age,
        lives.failed,
        lives.lower / unit_of_age,
        lives.upper / unit_of_age,
        lives.count,
        lives.truck,
    )
    ones, none = np.ones(len(lives)), np.zeros(len(lives))
    return Stratum(scaled, unit_of_age, ones if pressure is None else pressure, none if late is None else late, none)


def truck_sums(stratum: Stratum, shape: float, trucks: int) -> TruckSums:
    """Return what the likelihood needs of each truck at one shape, trucks numbered 0 to ``trucks`` − 1."""
    lives = stratum.lives
    weight = lives.count * stratum.pressure
    gained = weight * (np.where(lives.between, 0.0, lives.exit**shape) - lives.entry**shape)
    rows = (gained, lives.count * lives.failed, weight * stratum.late * lives.entry**shape, stratum.told)
    return TruckSums(*(np.asarray(np.bincount(lives.truck, one, trucks), dtype=np.float64) for one in rows))


@dataclass(frozen=True, slots=True)
class AtShape:
    """What the likelihood of a stratum needs at one β, worked out once for all levels and spreads."""

    stratum: Stratum
    shape: float
    sums: TruckSums
    failures: float  # of exact age
    constant: float

    def log_likelihood(self, log_rates: FloatArray, spread: float) -> FloatArray:
        """Return ln L at each ln λ of ``log_rates``, in the stratum's unit of age, at √φ = ``spread``."""
        rates = np.exp(log_rates)
        total = self.constant + self.failures * log_rates + _found_between(self.stratum.lives, self.shape, rates)
        if spread == 0.0:
            return np.asarray(total - rates * self.sums.gained.sum())
        k, d = spread**-2 + self.sums.told, self.sums.failures
        start = spread**-2 + rates[:, None] * self.sums.before
        h = start + rates[:, None] * self.sums.gained
        own = gammaln(k + d) - gammaln(k) + k * np.log(start) - (k + d) * np.log(h)
        return np.asarray(total + own.sum(axis=1))

    def levels(self, spread: float, count: int) -> FloatArray:
        """Return ``count`` values of ln λ around the best, as far as the data cannot rule out."""
        failures = max(self.stratum.failures, 0.5)
        centre = np.log(failures / self.stratum.hazard(self.shape))
        reach = 6.0 / np.sqrt(failures) + 1.0 + 2.0 * spread
        wide = np.linspace(centre - reach, centre + reach, 25)
        values = self.log_likelihood(wide, spread)
        near = np.flatnonzero(values > values.max() - OUT_OF_REACH)
        return np.linspace(wide[max(near[0] - 1, 0)], wide[min(near[-1] + 1, len(wide) - 1)], count)


def at_shape(stratum: Stratum, shape: float) -> AtShape:
    """Return the stratum's likelihood at one β."""
    lives = stratum.lives
    exact = lives.failed & ~lives.between
    count = lives.count[exact]
    logs = (shape - 1.0) * np.log(lives.exit[exact]) + np.log(shape * stratum.pressure[exact])
    sums = truck_sums(stratum, shape, int(lives.truck.max(initial=-1)) + 1)
    return AtShape(stratum, shape, sums, float(count.sum()), float((count * logs).sum()))


def _found_between(lives: Observations, shape: float, rates: FloatArray) -> FloatArray:
    """ln(S(lower) − S(upper)) summed over the failures known only to lie between two ages."""
    rows = lives.between
    if not rows.any():
        return np.zeros(len(rates))
    low = rates[:, None] * lives.lower[rows] ** shape
    step = rates[:, None] * lives.upper[rows] ** shape - low
    return np.asarray((lives.count[rows] * (np.log(-np.expm1(-step)) - low)).sum(axis=1))


def plain_values(stratum: Stratum) -> tuple[float, float] | None:
    """Return the maximum-likelihood β and ln λ with all trucks alike, or None where there is no finite maximum."""
    lives = stratum.lives
    fits = fit_weibulls(lives, np.zeros(len(lives), dtype=np.int64), strata=1)
    shape = float(fits.shape[0])
    if not fits.converged[0] or not SHAPE_RANGE[0] < shape < SHAPE_RANGE[1]:
        return None
    level = -shape * float(fits.log_eta[0])
    return (shape, level) if (stratum.pressure == 1.0).all() else _climb(stratum, shape, level, 0.0)


def best_values(stratum: Stratum, plain: tuple[float, float], spread: float) -> tuple[float, float]:
    """Return the maximum-likelihood β and ln λ at √φ = ``spread``, from the values with all trucks alike."""
    if spread == 0.0:
        return plain
    return _climb(stratum, *plain, spread)


def _climb(stratum: Stratum, shape: float, level: float, spread: float) -> tuple[float, float]:
    """Return the β and ln λ of the greatest likelihood, searched from a point near it."""

    def lost(at: FloatArray) -> float:
        return -float(at_shape(stratum, float(np.exp(at[0]))).log_likelihood(at[1:], spread)[0])

    found = minimize(lost, np.array([np.log(shape), level]), method="Nelder-Mead", tol=1e-9)
    return float(np.exp(found.x[0])), float(found.x[1])


@dataclass(frozen=True, slots=True)
class Grid:
    """ln L of one stratum over shapes × levels × spreads; a level is ln λ."""

    plain: tuple[float, float]
    shapes: FloatArray
    levels: FloatArray  # spreads × shapes × levels
    values: FloatArray  # spreads × shapes × levels
    totals: FloatArray  # ln of the likelihood summed over shapes and levels, per spread


def lay_grid(stratum: Stratum, spreads: FloatArray) -> Grid | None:
    """Return ln L over a grid that reaches as far as the data cannot rule out, or None where it has no maximum."""
    plain = plain_values(stratum)
    if plain is None:
        return None
    shapes = _shape_range(stratum, plain[0], spreads[-1])
    levels = np.empty((len(spreads), len(shapes), LEVELS))
    values = np.empty_like(levels)
    for i, shape in enumerate(shapes):
        here = at_shape(stratum, float(shape))
        for j, spread in enumerate(spreads):
            levels[j, i] = here.levels(float(spread), LEVELS)
            values[j, i] = here.log_likelihood(levels[j, i], float(spread))
    steps = levels[:, :, 1] - levels[:, :, 0]
    peak = values.max()
    totals = peak + np.log((np.exp(values - peak) * steps[:, :, None]).sum(axis=(1, 2)))
    return Grid(plain, shapes, levels, values, totals)


def _shape_range(stratum: Stratum, best: float, widest: float) -> FloatArray:
    """Return shapes spread evenly in ln β over the reach of the profile likelihood, with or without frailty."""
    coarse = np.geomspace(SHAPE_RANGE[0], SHAPE_RANGE[1], 60)
    at = [at_shape(stratum, float(shape)) for shape in coarse]
    kept = [best]
    for spread in (0.0, widest) if widest > 0 else (0.0,):
        profile = np.array([here.log_likelihood(here.levels(spread, LEVELS), spread).max() for here in at])
        near = np.flatnonzero(profile > profile.max() - OUT_OF_REACH / 2)
        kept += [coarse[max(near[0] - 1, 0)], coarse[min(near[-1] + 1, len(coarse) - 1)]]
    return np.exp(np.linspace(np.log(min(kept)), np.log(max(kept)), SHAPES))


def draw_spreads(grids: Iterable[Grid], spreads: FloatArray, draws: int, rng: np.random.Generator) -> IntArray:
    """Return ``draws`` positions in ``spreads``, drawn by the likelihood of all strata of a component together."""
    total = np.sum([grid.totals for grid in grids], axis=0)
    steps = np.gradient(spreads) if len(spreads) > 1 else np.ones(1)
    weights = np.exp(total - total.max()) * steps
    return np.asarray(rng.choice(len(spreads), size=draws, p=weights / weights.sum()), dtype=np.int64)


def draw_curves(grid: Grid, which: IntArray, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Return β and ln λ drawn from the grid at the given positions of the spreads, ln λ jittered within its cell."""
    shapes, levels = np.empty(len(which)), np.empty(len(which))
    for j in np.unique(which):
        rows = np.flatnonzero(which == j)
        step = grid.levels[j, :, 1] - grid.levels[j, :, 0]
        weights = np.exp(grid.values[j] - grid.values[j].max()) * step[:, None]
        cells = rng.choice(weights.size, size=len(rows), p=(weights / weights.sum()).ravel())
        i, v = np.unravel_index(cells, weights.shape)
        shapes[rows] = grid.shapes[i]
        levels[rows] = grid.levels[j, i, v] + (rng.random(len(rows)) - 0.5) * step[i]
    return shapes, levels


def best_spread(grids: Iterable[Grid], spreads: FloatArray) -> float:
    """Return the √φ of the greatest likelihood of all strata together, by a parabola through the grid's best."""
    profile = np.sum([grid.values.max(axis=(1, 2)) for grid in grids], axis=0)
    top = int(profile.argmax())
    if top in {0, len(spreads) - 1}:
        return float(spreads[top])
    x, y = spreads[top - 1 : top + 2], profile[top - 1 : top + 2]
    a, b, _ = np.polyfit(x, y, 2)
    return float(np.clip(-b / (2 * a), x[0], x[2])) if a < 0 else float(spreads[top])

"""One curve per stratum of a component: its own where its failures allow, else what the component lends it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from wearlab.answers.forecast.model import (
    SPREADS,
    Curve,
    FloatArray,
    Grid,
    Stratum,
    best_spread,
    best_values,
    draw_curves,
    draw_spreads,
    lay_grid,
)


@dataclass(frozen=True, slots=True)
class Spread:
    """The truck frailty of a component: best √φ and draws of it, as positions in ``values``."""

    best: float
    values: FloatArray
    which: np.ndarray[tuple[int], np.dtype[np.int64]]

    @property
    def frailties(self) -> FloatArray:
        """The draws of φ."""
        return np.asarray(self.values[self.which] ** 2)


def fit_component(
    strata: Mapping[str, Stratum],
    pooled: Stratum,
    *,
    enough: int,
    frailty: bool,
    draws: int,
    rng: np.random.Generator,
) -> dict[str, Curve]:
    """Return a curve for every stratum of one component, in the order given.

    A stratum with ``enough`` failures and a finite maximum has its own (origin ``own``); with fewer it takes the
    component's shape and its own level (``shape_pooled``); with none the component's curve (``pooled``); where the
    component has no curve either, its plain failure rate (``rate``, shape 1, Jeffreys' prior for the draws).
    """
    values = SPREADS if frailty else SPREADS[:1]
    laid = {key: lay_grid(stratum, values) for key, stratum in strata.items() if stratum.failures >= enough}
    grids = {key: grid for key, grid in laid.items() if grid is not None}
    pool = lay_grid(pooled, values) if len(grids) < len(strata) else None
    spread = _spread(list(grids.values()) or ([] if pool is None else [pool]), values, draws, rng)
    lent = _rate_curve(pooled, draws, rng) if pool is None else _curve(pooled, pool, spread, "pooled", rng)
    return {
        key: _curve(stratum, grids[key], spread, "own", rng) if key in grids else _borrowed(stratum, lent, rng)
        for key, stratum in strata.items()
    }


def _spread(grids: list[Grid], values: FloatArray, draws: int, rng: np.random.Generator) -> Spread:
    if not grids:
        return Spread(0.0, values, np.zeros(draws, dtype=np.int64))
    return Spread(best_spread(grids, values), values, draw_spreads(grids, values, draws, rng))


def _curve(stratum: Stratum, grid: Grid, spread: Spread, origin: str, rng: np.random.Generator) -> Curve:
    shape, level = best_values(stratum, grid.plain, spread.best)
    shapes, levels = draw_curves(grid, spread.which, rng)
    rate, rates = float(np.exp(level)), np.exp(levels)
    return Curve(shape, rate, spread.best**2, shapes, rates, spread.frailties, stratum.unit_of_age, origin)


def _rate_curve(pooled: Stratum, draws: int, rng: np.random.Generator) -> Curve:
    exposure = pooled.exposure
    ones, none = np.ones(draws), np.zeros(draws)
    rates = rng.gamma(pooled.failures + 0.5, 1.0 / exposure, draws)
    return Curve(1.0, pooled.failures / exposure, 0.0, ones, rates, none, pooled.unit_of_age, "rate")


def _borrowed(stratum: Stratum, lent: Curve, rng: np.random.Generator) -> Curve:
    """Return the component's shape at the stratum's own level, or the component's curve where there is no failure."""
    failures = stratum.failures
    if failures == 0 or lent.origin == "rate":
        return lent
    shapes, back = np.unique(lent.shapes, return_inverse=True)
    totals = np.array([stratum.hazard(float(shape)) for shape in shapes])[back]
    rates = rng.gamma(failures, size=len(totals)) / totals
    return replace(lent, rate=failures / stratum.hazard(lent.shape), rates=rates, origin="shape_pooled")

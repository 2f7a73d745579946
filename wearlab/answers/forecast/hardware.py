"""What the hardware of a part does to its hazard: sealed and extended-interval parts beside greaseable ones.

Within each duty cycle the hazard of a level is a fixed multiple of that of the commonest level, the same in all
classes: h = m_g · λ_d · βt^(β−1) · (practice). For a given β the Poisson equations λ_d·Σ m_g A = D_d and
m_g·Σ λ_d A = D_g are solved in turn (Holford 1980, Biometrics 36), and β is the one of the greatest likelihood. The
levels are taken only where twice the gain in log-likelihood exceeds what chance gives in one of twenty records.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import minimize_scalar
from scipy.stats import chi2

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FEWEST_EXPECTED = 5.0
CHANCE = 0.05
ROUNDS = 60
LN_SHAPES = (-1.5, 2.0)


@dataclass(frozen=True, slots=True)
class Hardware:
    """ln-hazard of each level over the commonest one, and its standard error; empty where no level differs."""

    effects: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def pressure(self, levels: pd.Series) -> FloatArray:
        """Return the hazard multiplier of each row; 1 for a level of which nothing is known."""
        return np.asarray(np.exp(self._look_up(levels, 0)), dtype=np.float64)

    def doubt(self, levels: pd.Series, draws: FloatArray) -> FloatArray:
        """Return multipliers drawn about it, one row per row of standard normal ``draws``, a column per level known."""
        names = list(self.effects)
        column = pd.Index(names).get_indexer(pd.Index(name_levels(levels)))
        error = self._look_up(levels, 1)
        return np.exp(draws[:, np.maximum(column, 0)] * error) if names else np.ones((len(draws), len(levels)))

    def _look_up(self, levels: pd.Series, which: int) -> FloatArray:
        known = {name: pair[which] for name, pair in self.effects.items()}
        return np.asarray(name_levels(levels).map(known).fillna(0.0), dtype=np.float64)


def name_levels(levels: pd.Series) -> pd.Series:
    """Return hardware as text, empty where the record does not say."""
    return levels.astype(object).where(levels.notna(), "").astype(str)


def learn_hardware(rows: pd.DataFrame) -> Hardware:
    """Return what hardware does to the hazard of one component.

    ``rows``: lives or stretches with ``duty_cycle``, ``hardware``, ``entry``, ``exit``, ``failed``, ``count`` and
    ``pressure`` (of practice). A level with fewer than FEWEST_EXPECTED failures to be expected is not told apart.
    """
    if "hardware" not in rows or rows.empty:
        return Hardware()
    levels, level = np.unique(name_levels(rows["hardware"]), return_inverse=True)
    duty = np.unique(rows["duty_cycle"].astype(str), return_inverse=True)[1]
    failed = (rows["count"] * rows["failed"]).to_numpy(dtype=float)
    if len(levels) < 2 or failed.sum() < 4 * FEWEST_EXPECTED:
        return Hardware()
    scale = float(np.exp(np.log(rows.loc[rows["failed"].to_numpy(dtype=bool), "exit"].astype(float)).mean()))
    table = _Table(
        rows["entry"].to_numpy(dtype=float) / scale,
        rows["exit"].to_numpy(dtype=float) / scale,
        failed,
        (rows["count"] * rows["pressure"]).to_numpy(dtype=float),
        duty.astype(np.int64),
        level.astype(np.int64),
    )
    expected = np.bincount(table.level, table.fit(1.0, apart=False)[1], len(levels))
    told = expected >= FEWEST_EXPECTED
    if told.sum() < 2:
        return Hardware()
    merged = _Table(table.entry, table.exit, table.failed, table.weight, table.duty, np.where(told[level], level, -1))
    return merged.compare(levels)


@dataclass(frozen=True, slots=True)
class _Table:
    entry: FloatArray
    exit: FloatArray
    failed: FloatArray
    weight: FloatArray
    duty: IntArray
    level: IntArray  # -1: not told apart

    def fit(self, shape: float, *, apart: bool) -> tuple[float, FloatArray, FloatArray]:
        """Return log-likelihood, expected failures by row, and the levels' multipliers (last: not told apart)."""
        area = self.weight * (self.exit**shape - self.entry**shape)
        level = self.level % (int(self.level.max()) + 2)
        factor = np.ones(int(level.max()) + 2)
        by_duty, by_level = np.bincount(self.duty, self.failed), np.bincount(level, self.failed, len(factor))
        for _ in range(ROUNDS if apart else 1):
            rate = by_duty / np.maximum(np.bincount(self.duty, area * factor[level]), 1e-300)
            if apart:
                factor = by_level / np.maximum(np.bincount(level, area * rate[self.duty], len(factor)), 1e-300)
                factor[by_level == 0] = 1e-9
        rate = by_duty / np.maximum(np.bincount(self.duty, area * factor[level]), 1e-300)
        hazard = np.maximum(rate[self.duty] * factor[level], 1e-300)
        ended = self.failed > 0
        logs = np.log(hazard[ended] * shape) + (shape - 1.0) * np.log(self.exit[ended])
        return float((self.failed[ended] * logs).sum() - self.failed.sum()), area * hazard, factor

    def best(self, *, apart: bool) -> tuple[float, float]:
        """Return the best log-likelihood and its β."""
        found = minimize_scalar(
            lambda at: -self.fit(float(np.exp(at)), apart=apart)[0], bounds=LN_SHAPES, method="bounded"
        )
        return -float(found.fun), float(np.exp(found.x))

    def compare(self, levels: npt.NDArray[np.object_]) -> Hardware:
        """Return the levels' effects where they are shown."""
        told = np.unique(self.level[self.level >= 0])
        apart, shape = self.best(apart=True)
        alike, _ = self.best(apart=False)
        freedom = len(told) - 1 + int((self.level < 0).any())
        if 2 * (apart - alike) < chi2.ppf(1 - CHANCE, freedom):
            return Hardware()
        _, expected, factor = self.fit(shape, apart=True)
        sums = np.asarray(np.bincount(self.level[self.level >= 0], expected[self.level >= 0], len(levels)), dtype=float)
        usual = int(sums.argmax())
        return Hardware(
            {
                str(levels[one]): (float(np.log(factor[one] / factor[usual])), float(_error(sums, one, usual)))
                for one in told
                if sums[one] > 0.5
            }
        )


def _error(sums: FloatArray, one: int, usual: int) -> float:
    return 0.0 if one == usual else float(np.sqrt(1.0 / max(sums[one], 1.0) + 1.0 / max(sums[usual], 1.0)))

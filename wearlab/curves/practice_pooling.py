"""Effects of several classes drawn toward one another by how much they truly differ (partial pooling)."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Pooled:
    """Partially pooled effects: means and covariance (classes), their common mean, spread and degrees of freedom."""

    values: Floats
    covariance: Floats
    mean: float
    spread: float  # sd between the classes' true effects
    freedom: float  # of the t quantiles; inf for a single class

    def limits(self, level: float) -> tuple[Floats, Floats]:
        """Return the lower and upper limits of the effects."""
        reach = stats.t.ppf(0.5 + level / 2, self.freedom) * np.sqrt(np.diag(self.covariance))
        return self.values - reach, self.values + reach


def pool_effects(estimates: Floats, errors: Floats) -> Pooled:
    """Return the effects pooled by their own standard errors.

    The spread between classes maximises the restricted likelihood (Patterson & Thompson, *Biometrika* 58, 1971);
    the effects are the best linear predictors. Quantiles are those of t with classes + 2 degrees of freedom, chosen
    because its 90 % limits cover 84 to 97 % of classes drawn with spreads from none to four standard errors, for two to
    five classes (normal quantiles cover 77 to 91 %, t with classes − 1 up to 100 %: tests/studies/intervals_pooling).
    One class alone keeps its own normal interval.
    """
    variance = errors**2
    if len(estimates) == 1:
        return Pooled(estimates.copy(), np.diag(variance), float(estimates[0]), float("nan"), float("inf"))
    top = 4 * max(float(errors.max()), float(estimates.std()) + 1e-9)
    grid = np.linspace(0, top, 201)
    best = int(np.argmin([_loss(s, estimates, variance) for s in grid]))
    around = (grid[max(best - 1, 0)], grid[min(best + 1, 200)])
    found = optimize.minimize_scalar(_loss, bounds=around, method="bounded", args=(estimates, variance))
    spread = float(found.x) if found.fun < _loss(grid[best], estimates, variance) else float(grid[best])
    weight = 1 / (variance + spread**2)
    mean = float((weight * estimates).sum() / weight.sum())
    borrowed = variance * weight
    covariance = np.diag((1 - borrowed) * variance) + np.outer(borrowed, borrowed) / weight.sum()
    values = (1 - borrowed) * estimates + borrowed * mean
    return Pooled(values, covariance, mean, spread, float(len(estimates) + 2))


def _loss(spread: float, estimates: Floats, variance: Floats) -> float:
    total = variance + spread**2
    weight = 1 / total
    mean = (weight * estimates).sum() / weight.sum()
    restricted = np.log(total).sum() + np.log(weight.sum()) + (weight * (estimates - mean) ** 2).sum()
    return float(restricted) / 2

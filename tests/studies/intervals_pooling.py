"""How well do pooled limits cover when classes are drawn? The choice of t quantiles in ``pool_effects``.

``python -m tests.studies.intervals_pooling`` draws 4,000 sets of classes a row and prints the table (about a minute).
"""

import numpy as np
from scipy import stats

from wearlab.curves.practice_pooling import pool_effects

ERRORS = ((0.25, 0.25), (0.25, 0.25, 0.25), (0.15, 0.25, 0.5), (0.2, 0.2, 0.2, 0.2), (0.2, 0.2, 0.2, 0.3, 0.3))
SPREADS = (0.0, 0.1, 0.25, 0.5, 1.0)


def cover(errors: np.ndarray, spread: float, sets: int, seed: int) -> tuple[float, float, float, float]:
    """Return coverage of nominal 90 % limits: as shipped, with normal quantiles, with t of classes − 1, unpooled."""
    rng = np.random.default_rng(seed)
    inside = np.zeros(4)
    for _ in range(sets):
        truth = 1 + spread * rng.standard_normal(len(errors))
        seen = truth + errors * rng.standard_normal(len(errors))
        pooled = pool_effects(seen, errors)
        error = np.sqrt(np.diag(pooled.covariance))
        for j, freedom in enumerate((pooled.freedom, np.inf, len(errors) - 1)):
            reach = stats.t.ppf(0.95, freedom) * error
            inside[j] += (np.abs(pooled.values - truth) <= reach).mean()
        inside[3] += (np.abs(seen - truth) <= 1.645 * errors).mean()
    return tuple(float(x) for x in inside / sets)  # type: ignore[return-value]


def main(sets: int = 400) -> None:
    """Print the table."""
    print("| standard errors of classes | spread between them | t, classes + 2 | normal | t, classes − 1 | unpooled |")
    print("|---|---|---|---|---|---|")
    for errors in ERRORS:
        for spread in SPREADS:
            shown = " | ".join(f"{value:.1%}" for value in cover(np.array(errors), spread, sets, 1))
            print(f"| {', '.join(map(str, errors))} | {spread} | {shown} |")


if __name__ == "__main__":
    main()

"""Batched Weibull fits against one root search per stratum and against lifelines, and 1,000 draws of trucks.

Run: ``python -m tests.benchmarks.fits``; it rewrites fits.md beside this file. Simulated lives; processor seconds, the
median of three; ratios within one run are what counts.
"""

import platform
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy.optimize import brentq

from wearlab.curves.batch import fit_weibulls
from wearlab.curves.engine import fit_with_engine
from wearlab.curves.observations import Observations, make_observations
from wearlab.curves.resample import draw_trucks, resample_weibulls
from wearlab.curves.weibull import Weibull

STRATA, LIVES = 1000, 200


def draw(lives: int, trucks: int) -> Observations:
    rng = np.random.default_rng(1)
    life, watched = 300 * rng.weibull(2.2, lives), rng.uniform(50, 400, lives)
    entry = np.where(rng.random(lives) < 0.3, rng.uniform(0, 100, lives), 0.0)
    seen = np.minimum(life, watched) > entry
    truck = rng.integers(0, trucks, lives)
    return make_observations(
        np.minimum(life, watched)[seen], (life <= watched)[seen], entry=entry[seen], truck=truck[seen]
    )


def seconds(work: Callable[[], object]) -> float:
    taken = []
    for _ in range(3):
        started = time.process_time()
        work()
        taken.append(time.process_time() - started)
    return statistics.median(taken)


def root_search(obs: Observations) -> float:
    """Return the shape of one stratum by a bracketed root search."""
    top = obs.exit.max()
    u, v, failed = np.log(obs.exit / top), np.log(obs.entry[obs.entry > 0] / top), obs.failed

    def slope(k: float) -> float:
        powers, gone = np.exp(k * u), np.exp(k * v)
        return float(1 / k + u[failed].mean() - ((u * powers).sum() - (v * gone).sum()) / (powers.sum() - gone.sum()))

    return float(brentq(slope, 0.05, 50.0))


def main() -> None:
    """Time every way and rewrite the table."""
    rng = np.random.default_rng(2)
    obs = draw(STRATA * LIVES, 20_000)
    stratum = rng.integers(0, STRATA, len(obs))
    parts = [obs.take(np.flatnonzero(stratum == number)) for number in range(STRATA)]
    batch = seconds(lambda: fit_weibulls(obs, stratum, strata=STRATA))
    search = seconds(lambda: [root_search(part) for part in parts])
    engine = seconds(lambda: [fit_with_engine(part, Weibull(2.0, 300.0)) for part in parts[:10]]) * STRATA / 10
    drawn = draw(100_000, 20_000)
    groups = rng.integers(0, 100, len(drawn))
    weights = draw_trucks(20_000, replicates=1000, seed=1)
    resampled = seconds(lambda: resample_weibulls(drawn, groups, strata=100, truck_weights=weights))
    rows = [
        (f"{STRATA:,} strata of {LIVES} lives, batched", batch, 1.0),
        ("the same, one root search each", search, search / batch),
        ("the same, lifelines (from 10)", engine, engine / batch),
        ("1,000 draws of trucks, 100 strata, 100,000 lives", resampled, resampled / batch),
    ]
    lines = [
        "# Weibull fits",
        "",
        (
            f"`python -m tests.benchmarks.fits`; {platform.machine()}, Python {platform.python_version()}, numpy "
            f"{np.__version__}; processor seconds, one thread."
        ),
        "",
        "| what | s | ratio |",
        "|---|---|---|",
        *[f"| {name} | {taken:.3f} | {ratio:.1f} |" for name, taken, ratio in rows],
    ]
    (Path(__file__).parent / "fits.md").write_text("\n".join(lines) + "\n")
    print("\n".join(lines))


if __name__ == "__main__":
    main()

"""Batched Weibull fits against one root search per stratum and against lifelines, draws of trucks, and truck factors.

Run: ``python -m tests.benchmarks.fits``; it rewrites fits.md beside this file. Simulated lives; processor seconds, the
median of three; ratios within one run are what counts.
"""

import platform
import statistics
import time
from collections.abc import Callable

import numpy as np
from scipy.optimize import brentq

from tests.benchmarks.table import write_table
from wearlab.curves.batch import fit_weibulls
from wearlab.curves.engine import fit_with_engine
from wearlab.curves.frailty import fit_trucks
from wearlab.curves.observations import Observations, make_observations
from wearlab.curves.resample import draw_trucks, resample_weibulls
from wearlab.curves.truck_limits import limit_truck_lives, limit_truck_shape
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


def limit_eleven(obs: Observations) -> None:
    """Fit a curve with a truck factor and find both ends of its shape and of ten lives, as one printed curve does."""
    plain = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    fit = fit_trucks(obs, Weibull(float(plain.shape[0]), float(np.exp(plain.log_eta[0]))))
    if fit is None:
        raise ValueError("no maximum with a truck factor")
    limit_truck_shape(fit, level=0.9)
    limit_truck_lives(fit, np.array([0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 1 - np.exp(-1), 0.8, 0.95]), level=0.9)


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
    shared = [draw(lives, lives // 5) for lives in (500, 10_000)]
    found = shared[0].failed & (np.arange(len(shared[0])) % 2 == 0)
    looked = make_observations(
        np.where(found, shared[0].exit + 15, shared[0].exit),
        shared[0].failed,
        entry=shared[0].entry,
        lower=np.where(found, np.maximum(shared[0].exit - 15, shared[0].entry), np.nan),
        upper=np.where(found, shared[0].exit + 15, np.nan),
        truck=shared[0].truck,
    )
    limits = [seconds(lambda part=part: limit_eleven(part)) for part in (shared[0], looked, shared[1])]  # type: ignore[misc]
    rows = [
        (f"{STRATA:,} strata of {LIVES} lives, batched", batch, 1.0),
        ("the same, one root search each", search, search / batch),
        ("the same, lifelines (from 10)", engine, engine / batch),
        ("1,000 draws of trucks, 100 strata, 100,000 lives", resampled, resampled / batch),
        ("one curve with a truck factor and its 22 limits, 500 lives", limits[0], limits[0] / batch),
        ("the same, half of the failures known between two ages", limits[1], limits[1] / batch),
        ("the same, 10,000 lives, exact ages", limits[2], limits[2] / batch),
    ]
    about = (
        f"`python -m tests.benchmarks.fits`; {platform.machine()}, Python {platform.python_version()}, numpy "
        f"{np.__version__}; processor seconds, one thread."
    )
    shown = [[name, f"{taken:.3f}", f"{ratio:.1f}"] for name, taken, ratio in rows]
    write_table("fits", "Weibull fits", about, ["what", "s", "ratio"], shown)


if __name__ == "__main__":
    main()

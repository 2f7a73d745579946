"""Wrong practices and what they cost: simulated fleets with a known truth (shape 2.2, characteristic life 300).

For each practice the right answer lies, on average over fleets of 400 lives, well within one fleet's standard error of
the truth, and the wrong one more than two such errors away. The practices are those that fleet records invite: running
parts dropped, late entry ignored, found-at-inspection read as exact, planned replacements read as failures, duty cycles
pooled, early defects mixed in.
"""

from collections.abc import Callable

import numpy as np
import pytest

from wearlab.curves.batch import fit_weibulls, solve_rows
from wearlab.curves.mixture import find_two_populations
from wearlab.curves.newton import Rows
from wearlab.curves.observations import Observations, make_observations
from wearlab.curves.pooling import pool_strata
from wearlab.curves.weibull import Weibull

SHAPE, ETA, LIVES, FLEETS = 2.2, 300.0, 400, 60
Fleet = Callable[[np.random.Generator], tuple[Observations, Observations]]


def running_dropped(rng: np.random.Generator) -> tuple[Observations, Observations]:
    life, watched = ETA * rng.weibull(SHAPE, LIVES), rng.uniform(50, 450, LIVES)
    failed = life <= watched
    exit_ = np.minimum(life, watched)
    return make_observations(exit_, failed), make_observations(exit_[failed], failed[failed])


def late_entry(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    entry = rng.uniform(0, 250, 3 * LIVES)
    life = ETA * rng.weibull(SHAPE, 3 * LIVES)
    seen = np.flatnonzero(life > entry)[:LIVES]
    end = entry[seen] + rng.uniform(30, 250, len(seen))
    return entry[seen], np.minimum(life[seen], end), life[seen] <= end


def entry_ignored(rng: np.random.Generator) -> tuple[Observations, Observations]:
    entry, exit_, failed = late_entry(rng)
    return make_observations(exit_, failed, entry=entry), make_observations(exit_, failed)


def age_restarted(rng: np.random.Generator) -> tuple[Observations, Observations]:
    entry, exit_, failed = late_entry(rng)
    return make_observations(exit_, failed, entry=entry), make_observations(exit_ - entry, failed)


def inspection_as_exact(rng: np.random.Generator) -> tuple[Observations, Observations]:
    life, watched = ETA * rng.weibull(SHAPE, LIVES), rng.uniform(50, 450, LIVES)
    lower = np.floor(life / 80) * 80
    failed = lower + 80 <= watched
    last_look = np.maximum(np.floor(watched / 80) * 80, 1.0)
    exit_ = np.where(failed, lower + 80, last_look)
    right = make_observations(
        exit_, failed, lower=np.where(failed, lower, np.nan), upper=np.where(failed, lower + 80, np.nan)
    )
    return right, make_observations(exit_, failed)


def planned_as_failures(rng: np.random.Generator) -> tuple[Observations, Observations]:
    life, planned = ETA * rng.weibull(SHAPE, LIVES), rng.normal(220, 25, LIVES)
    exit_ = np.minimum(life, planned)
    return make_observations(exit_, life <= planned), make_observations(exit_, np.ones(LIVES))


PRACTICES: dict[str, Fleet] = {
    "running parts dropped": running_dropped,
    "late entry ignored": entry_ignored,
    "age restarted at the first record": age_restarted,
    "found at inspection read as exact": inspection_as_exact,
    "planned replacements read as failures": planned_as_failures,
}


def fit_all(fleets: list[Observations]) -> np.ndarray:
    """Return shape and characteristic life of each fleet."""
    sizes = [len(fleet) for fleet in fleets]
    columns = [np.concatenate([getattr(fleet, name) for fleet in fleets]) for name in Observations.__dataclass_fields__]
    fits = fit_weibulls(Observations(*columns), np.repeat(np.arange(len(fleets)), sizes), strata=len(fleets))
    assert fits.converged.all()
    return np.column_stack([fits.shape, np.exp(fits.log_eta)])


@pytest.mark.parametrize("practice", PRACTICES)
def test_the_right_reading_is_near_the_truth_and_the_wrong_one_is_not(practice: str) -> None:
    rng = np.random.default_rng(65)
    pairs = [PRACTICES[practice](rng) for _ in range(FLEETS)]
    right, wrong = fit_all([pair[0] for pair in pairs]), fit_all([pair[1] for pair in pairs])
    error = right.std(axis=0)  # of one fleet
    truth = np.array([SHAPE, ETA])
    assert (np.abs(right.mean(axis=0) - truth) < 0.5 * error).all()
    assert (np.abs(wrong.mean(axis=0) - truth) > 2 * error).any()


def test_duty_cycles_pooled_flatten_the_curve_and_strata_do_not() -> None:
    rng = np.random.default_rng(66)
    apart, pooled = [], []
    for _ in range(FLEETS):
        duty = np.arange(LIVES) % 2
        life = np.where(duty == 0, 150, 450) * rng.weibull(2.5, LIVES)
        obs = make_observations(np.minimum(life, 600), life <= 600)
        apart.append(fit_weibulls(obs, duty, strata=2).shape)
        pooled.append(fit_weibulls(obs, np.zeros(LIVES, dtype=np.int64), strata=1).shape[0])
    error = np.std(np.array(apart)[:, 0])
    assert abs(np.mean(apart) - 2.5) < 0.5 * error
    assert np.mean(pooled) < 2.5 - 2 * error


def test_early_defects_flatten_the_curve_and_are_told_apart() -> None:
    rng = np.random.default_rng(67)
    rest, single = [], []
    for _ in range(15):
        early = rng.random(LIVES) < 0.08
        life = np.where(early, 30 * rng.weibull(0.9, LIVES), ETA * rng.weibull(SHAPE, LIVES))
        obs = make_observations(np.minimum(life, 380), life <= 380)
        fits = fit_weibulls(obs, np.zeros(LIVES, dtype=np.int64), strata=1)
        curve = Weibull(float(fits.shape[0]), float(np.exp(fits.log_eta[0])))
        found = find_two_populations(obs, curve, float(fits.log_likelihood[0]))
        assert found is not None
        rest.append(found.rest.shape)
        single.append(curve.shape)
    assert abs(np.mean(rest) - SHAPE) < np.std(rest)
    assert np.mean(single) < SHAPE - 2 * np.std(single)


def test_borrowing_shapes_beats_each_stratum_alone_where_failures_are_few() -> None:
    rng = np.random.default_rng(68)
    alone, pooled = [], []
    for _ in range(60):
        shapes = np.exp(rng.normal(np.log(2.0), 0.1, 5))
        etas = np.exp(rng.normal(np.log(300), 0.4, 5))
        stratum = np.repeat(np.arange(5), 60)
        life = etas[stratum] * rng.weibull(shapes[stratum])
        watched = rng.uniform(20, 140, 300)
        obs = make_observations(np.minimum(life, watched), life <= watched)
        none = np.full(300, np.nan)
        rows = Rows(np.arange(5) * 60, obs.entry, obs.exit, obs.failed, none, none, obs.count)
        found = solve_rows(rows)
        if (found.status != 0).any():
            continue
        pool = pool_strata(rows, found)
        assert pool is not None
        level = np.log(-np.log1p(-0.01))
        truth = np.column_stack([np.log(shapes), np.log(etas), np.log(etas) + level / shapes])  # B1 in the last column
        for source, errors in ((found, alone), (pool, pooled)):
            b1 = source.log_eta + level / source.shape
            errors.append(np.column_stack([np.log(source.shape), source.log_eta, b1]) - truth)
    assert len(alone) > 25
    by_itself, borrowed = (np.sqrt(np.mean(np.concatenate(errors) ** 2, axis=0)) for errors in (alone, pooled))
    assert (borrowed[:2] < 0.7 * by_itself[:2]).all()
    assert borrowed[2] < 0.95 * by_itself[2]

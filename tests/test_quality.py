"""Is a Weibull curve the right one: paper, straightness, rivals, a second population, successive parts."""

import numpy as np
import pytest
from scipy.optimize import minimize

from tests.curve_data import BETWEEN, CASES, EXACT, load_case, value_of
from tests.curve_histories import make_history, make_lives
from wearlab.curves.batch import fit_weibulls
from wearlab.curves.fit import Fits, fit_strata
from wearlab.curves.mixture import find_two_populations
from wearlab.curves.modes import judge_mode
from wearlab.curves.observations import Observations, make_observations
from wearlab.curves.quality import (
    compare_rivals,
    fit_exponential,
    fit_lognormal,
    judge_straightness,
    rank_failures,
)
from wearlab.curves.successive import compare_successive
from wearlab.curves.weibull import Weibull


def plain(obs: Observations) -> tuple[Weibull, float]:
    fits = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    return Weibull(float(fits.shape[0]), float(np.exp(fits.log_eta[0]))), float(fits.log_likelihood[0])


@pytest.mark.parametrize("case", EXACT)
def test_adjusted_ranks_are_the_agreed_ones(case: str) -> None:
    # Johnson (1951); Benard & Bos-Levenbach (1953); median of the beta distribution
    obs = load_case(case)
    for exact, name in ((False, "benard"), (True, "exact")):
        points = rank_failures(obs, plain(obs)[0], exact=exact)
        assert points.rank[-1] == pytest.approx(value_of(case, "rr.mrr_adjrank_last"), rel=1e-9)
        assert points.failed_share[-1] == pytest.approx(value_of(case, f"rr.mrr_{name}_F_last"), rel=1e-9)
        if points.rank[0] < 1.5:  # a first age without ties
            assert points.failed_share[0] == pytest.approx(value_of(case, f"rr.mrr_{name}_F_first"), rel=1e-9)


@pytest.mark.parametrize("case", EXACT)
def test_exponential_curve_is_the_agreed_one(case: str) -> None:
    mean, log_likelihood = fit_exponential(load_case(case))
    assert mean == pytest.approx(value_of(case, "exponential.mean"), rel=1e-7)
    assert log_likelihood == pytest.approx(value_of(case, "exponential.loglik"), rel=1e-9)


@pytest.mark.parametrize("case", [*EXACT, *BETWEEN])
def test_lognormal_curve_is_the_agreed_one(case: str) -> None:
    mean, spread, log_likelihood = fit_lognormal(load_case(case))
    assert log_likelihood == pytest.approx(value_of(case, "lognormal.loglik"), rel=1e-8)
    assert mean == pytest.approx(value_of(case, "lognormal.mu"), rel=1e-5)
    assert spread == pytest.approx(value_of(case, "lognormal.sigma"), rel=1e-4)


def test_aic_chooses_a_clear_winner_and_otherwise_cannot_tell() -> None:
    rng = np.random.default_rng(1)
    obs = make_observations(np.exp(rng.normal(5, 0.9, 600)), np.ones(600))
    assert compare_rivals(obs, plain(obs)[1]).chosen == "lognormal"
    worn = make_observations(300 * rng.weibull(3.0, 600), np.ones(600))
    assert compare_rivals(worn, plain(worn)[1]).chosen == "weibull"
    few = load_case("shock_absorber_all")
    rivals = compare_rivals(few, plain(few)[1])
    assert rivals.chosen == "cannot tell"
    assert rivals.weibull == pytest.approx(value_of("shock_absorber_all", "weibull.aic"), rel=1e-9)


def straight_lives(rng: np.random.Generator, size: int, per_truck: int, factor: float) -> Observations:
    truck = np.arange(size) // per_truck
    spread = rng.gamma(1 / factor, factor, truck[-1] + 1)[truck] if factor else np.ones(size)
    life, watched = (rng.exponential(size=size) / spread) ** 0.5, rng.uniform(0.3, 0.9, size)
    entry = np.where(rng.random(size) < 0.3, rng.uniform(0, 0.25, size), 0.0)
    seen = life > entry
    return make_observations(
        np.minimum(life, watched)[seen], (life <= watched)[seen], entry=entry[seen], truck=truck[seen]
    )


@pytest.mark.parametrize(("size", "per_truck"), [(60, 1), (250, 1), (250, 6)])
def test_straightness_keeps_its_level_on_weibull_lives(size: int, per_truck: int) -> None:
    rng = np.random.default_rng(2)
    p_values = []
    for _ in range(400):
        obs = straight_lives(rng, size, per_truck, 0.0)
        found = judge_straightness(obs, plain(obs)[0]) if obs.failures >= 10 else None
        if found is not None:
            p_values.append(found.p_value)
    low = np.mean(np.array(p_values) < 0.05)
    assert 0.01 <= low <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / len(p_values))


def test_straightness_sees_a_bend_in_either_direction() -> None:
    rng = np.random.default_rng(3)
    early = np.where(rng.random(600) < 0.08, 20 * rng.weibull(0.9, 600), 300 * rng.weibull(3.0, 600))
    obs = make_observations(np.minimum(early, 300), early <= 300)
    found = judge_straightness(obs, plain(obs)[0])
    assert found is not None
    assert found.p_value < 0.001
    assert found.bend > 0
    mixed = np.where(rng.random(600) < 0.5, 100, 600) * rng.weibull(3.0, 600)
    obs = make_observations(np.minimum(mixed, 500), mixed <= 500)
    found = judge_straightness(obs, plain(obs)[0])
    assert found is not None
    assert found.p_value < 0.001
    assert found.bend < 0


def test_two_populations_recover_planted_early_failures() -> None:
    # trade practice: 8 % infant defects mixed in turn a shape of 2.2 into about 1.4
    rng = np.random.default_rng(4)
    early = rng.random(1500) < 0.08
    life = np.where(early, 30 * rng.weibull(0.9, 1500), 300 * rng.weibull(2.2, 1500))
    obs = make_observations(np.minimum(life, 350), life <= 350)
    curve, value = plain(obs)
    assert curve.shape < 1.7
    found = find_two_populations(obs, curve, value)
    assert found is not None
    assert found.early_share == pytest.approx(0.08, abs=0.04)
    assert found.rest.shape == pytest.approx(2.2, abs=0.25)
    assert found.rest.eta == pytest.approx(300, rel=0.06)


def test_a_bend_is_said_in_the_fit() -> None:
    rng = np.random.default_rng(5)
    early = rng.random(800) < 0.08
    life = np.where(early, 20 * rng.weibull(1.0, 800), 300 * rng.weibull(2.5, 800))
    result = fit_strata(
        make_history(make_lives(np.minimum(life, 350), life <= 350)),
        by=None,
        component=None,
        mode=None,
        level=0.9,
        seed=1,
    )
    assert isinstance(result, Fits)
    said = [caution.text for caution in result.cautions if caution.code == "bend"]
    assert len(said) == 1
    assert "of the parts look like early failures" in said[0]
    checks = result.tables()["checks"].iloc[0]
    assert checks["early_share"] == pytest.approx(0.08, abs=0.04)


def places(seed: int, *, spread: float, later_hazard: float) -> tuple[Observations, np.ndarray]:
    """Return simulated lives that follow one another at three places on each of 60 trucks."""
    rng = np.random.default_rng(seed)
    exits, failed, truck, later = [], [], [], []
    factors = rng.gamma(1 / spread, spread, 60) if spread else np.ones(60)
    for number, factor in enumerate(factors):
        for _ in range(3):
            left, part = 400.0, 0
            while left > 0:
                life = 300 * (rng.exponential() / factor / (later_hazard if part else 1.0)) ** 0.5
                exits.append(min(life, left))
                failed.append(life <= left)
                truck.append(number)
                later.append(part > 0)
                left, part = left - life, part + 1
    return make_observations(exits, failed, truck=truck), np.array(later)


def test_successive_parts_that_are_alike_are_not_told_apart_though_trucks_differ() -> None:
    low, ratios = 0, []
    for seed in range(120):
        obs, later = places(seed, spread=0.5, later_hazard=1.0)
        found = compare_successive(obs, later, plain(obs)[0], level=0.9)
        assert found is not None
        low += found.p_value < 0.1
        ratios.append(np.log(found.ratio))
    assert low <= 12 + 3 * np.sqrt(120 * 0.1 * 0.9)
    assert abs(np.mean(ratios)) < 3 * np.std(ratios) / np.sqrt(120)


def test_worse_successive_parts_are_found_with_their_ratio() -> None:
    ratios = []
    for seed in range(40):
        obs, later = places(seed, spread=0.5, later_hazard=1.8)
        found = compare_successive(obs, later, plain(obs)[0], level=0.9)
        assert found is not None
        ratios.append(np.log(found.ratio))
    assert np.mean(ratios) == pytest.approx(np.log(1.8), abs=3 * np.std(ratios) / np.sqrt(40))


@pytest.mark.parametrize(
    ("mode", "bears"),
    [
        ("burned_trunnion", "yes"),
        ("spline galling", "yes"),
        ("seal_contamination", "yes"),
        ("clamp_slip", "no"),
        ("boot tear", "no"),
        ("cup rotation", "no"),
        ("other", "unknown"),
    ],
)
def test_grease_bears_on_the_modes_of_wear_and_not_on_those_of_fitting(mode: str, bears: str) -> None:
    assert judge_mode(mode) == bears


def test_checks_need_ten_failures() -> None:
    assert CASES["diesel_fan"]["values"]["failures"] == 12
    obs = load_case("nist_multicensored20")
    assert judge_straightness(obs, plain(obs)[0]) is None


def test_the_bend_is_that_of_the_likelihood_written_out() -> None:
    rng = np.random.default_rng(6)
    life, watched, entry = 100 * rng.weibull(2.0, 400), rng.uniform(40, 160, 400), rng.uniform(0, 40, 400)
    failed = life <= watched
    found = failed & (rng.random(400) < 0.5)
    lower, upper = np.floor(life / 20) * 20, np.floor(life / 20) * 20 + 20
    exit_ = np.where(found, upper, np.minimum(life, watched))
    seen = life > entry
    obs = make_observations(
        exit_[seen],
        failed[seen],
        entry=entry[seen],
        lower=np.where(found, lower, np.nan)[seen],
        upper=np.where(found, upper, np.nan)[seen],
    )
    curve, best = plain(obs)

    def value(place: np.ndarray) -> float:
        shape, level, bend = place
        known = np.concatenate([obs.exit, obs.entry[obs.entry > 0], obs.lower[obs.lower > 0]])
        if (shape + 2 * bend * np.log(known / 90.0)).min() <= 0:
            return -1e9  # no hazard falls below zero

        def hazard(age: np.ndarray) -> np.ndarray:
            x = np.log(np.maximum(age, 1e-12) / 90.0)
            return np.where(age > 0, np.exp(np.minimum(shape * x - level + bend * x**2, 50.0)), 0.0)

        x = np.log(obs.exit / 90.0)
        ends = np.where(obs.between, obs.lower, obs.exit)
        exact = obs.failed & ~obs.between
        total = np.sum(hazard(obs.entry) - hazard(ends))
        rate = np.log(np.maximum(shape + 2 * bend * x, 1e-12)) + shape * x - level + bend * x**2 - np.log(obs.exit)
        steps = np.maximum(hazard(obs.exit) - hazard(ends), 1e-12)[obs.between]
        return float(total + np.sum(rate[exact]) + np.sum(np.log(-np.expm1(-steps))))

    start = np.array([curve.shape, curve.shape * np.log(curve.eta / 90.0), 0.0])
    assert value(start) == pytest.approx(best, rel=1e-10)
    most = minimize(lambda place: -value(place), start, method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
    straight = judge_straightness(obs, curve)
    assert straight is not None
    assert straight.z**2 == pytest.approx(2 * (-most.fun - best), rel=0.25, abs=0.05)  # score against likelihood ratio
    assert np.sign(straight.bend) == np.sign(most.x[2])

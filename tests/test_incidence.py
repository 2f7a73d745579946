"""Shares of failures by mode: they add up, ties are counted as they are, trucks count together."""

import numpy as np
import pytest

from wearlab.curves.counted import count_curve
from wearlab.curves.incidence import count_incidence, count_part
from wearlab.curves.observations import make_observations

AGES = np.array([2.0, 4.0, 6.0, 9.0])


def draw(seed: int, size: int = 200) -> tuple:
    rng = np.random.default_rng(seed)
    worn, torn, watched = 6 * rng.weibull(3, size), 8 * rng.weibull(0.8, size), rng.uniform(3, 10, size)
    entry = np.where(rng.random(size) < 0.3, rng.uniform(0, 2, size), 0)
    exit_ = np.ceil(4 * np.minimum(np.minimum(worn, torn), watched)) / 4  # many ties
    failed = np.minimum(worn, torn) <= watched
    mode = np.where(failed, np.where(worn < torn, "worn", "torn"), None).astype(object)
    seen = exit_ > entry
    return make_observations(exit_[seen], failed[seen], entry=entry[seen]), mode[seen]


def test_the_modes_and_the_share_still_running_add_up_to_one() -> None:
    obs, mode = draw(1)
    shares = count_incidence(obs, mode, AGES, level=0.9)
    total = sum(found.share for found in shares) + count_curve(obs).survival_at(AGES)
    np.testing.assert_allclose(total, 1.0, atol=1e-12)


def test_one_minus_kaplan_meier_of_one_mode_says_too_much() -> None:
    obs, mode = draw(2)
    worn = next(found for found in count_incidence(obs, mode, AGES, level=0.9) if found.mode == "worn")
    alone = make_observations(obs.exit, obs.failed & (mode == "worn"), entry=obs.entry)
    assert 1 - count_curve(alone).survival_at(AGES)[-1] > worn.share[-1] + 0.05


def test_ties_of_different_modes_give_the_same_share_every_time() -> None:
    obs = make_observations([1.0, 1.0, 2.0, 3.0, 3.0, 4.0], [1, 1, 1, 1, 0, 0])
    mode = np.array(["a", "b", "a", "b", None, None], dtype=object)
    first, second = count_incidence(obs, mode, np.array([1.0, 3.0]), level=0.9)
    np.testing.assert_allclose(first.share, [1 / 6, 1 / 3])
    np.testing.assert_allclose(second.share, [1 / 6, 1 / 3])


def test_one_mode_alone_is_the_counted_curve() -> None:
    obs, _ = draw(3)
    mode = np.where(obs.failed, "any", None).astype(object)
    (found,) = count_incidence(obs, mode, AGES, level=0.9)
    np.testing.assert_allclose(found.share, 1 - count_curve(obs).survival_at(AGES), atol=1e-12)
    assert (found.low < found.share).all()
    assert (found.share < found.high).all()


def test_the_error_is_the_spread_over_samples() -> None:
    shares, errors = [], []
    for seed in range(200):
        obs, mode = draw(seed, size=120)
        found = count_incidence(obs, mode, np.array([5.0]), level=0.9)[1]
        shares.append(found.share[0])
        errors.append(found.error[0])
    assert np.mean(errors) == pytest.approx(np.std(shares), rel=0.15)


def test_lives_of_one_truck_count_together() -> None:
    obs, mode = draw(4)
    doubled = obs.take(np.repeat(np.arange(len(obs)), 2))
    twice = np.repeat(mode, 2)
    one = count_incidence(obs, mode, AGES, level=0.9)[0]
    same = count_incidence(doubled, twice, AGES, level=0.9)[0]
    np.testing.assert_allclose(same.error, one.error, rtol=1e-9)


def test_the_share_of_failures_that_one_group_makes_is_that_of_all_failures_had_none_been_lost_from_sight() -> None:
    rng = np.random.default_rng(5)
    worn, torn = 6 * rng.weibull(3, 20_000), 8 * rng.weibull(0.8, 20_000)
    life, mode = np.minimum(worn, torn), np.where(worn < torn, "worn", "torn").astype(object)
    truth = (worn < torn)[life <= 5.0].mean()
    held, naive = 0, []
    for number in range(200):
        chosen = np.arange(100 * number, 100 * number + 100)
        watched = rng.uniform(0.5, 8, 100)
        obs = make_observations(np.minimum(life[chosen], watched), life[chosen] <= watched, truck=chosen // 2)
        is_worn = obs.failed & (mode[chosen] == "worn")
        part = count_part(obs, is_worn, obs.failed & ~is_worn, 5.0, level=0.9)
        assert part is not None
        assert part.low <= part.share <= part.high
        held += part.low <= truth <= part.high
        by_five = obs.failed & (obs.exit <= 5.0)
        naive.append((is_worn & by_five).sum() / by_five.sum())
    assert abs(held - 180) <= 3 * np.sqrt(200 * 0.9 * 0.1)
    assert abs(np.mean(naive) - truth) > 0.05  # young failures are seen more often than old ones


def test_failures_of_one_group_alone_have_an_exact_interval() -> None:
    obs = make_observations([1.0, 2.0, 3.0, 4.0, 5.0], [1, 1, 1, 0, 0])
    part = count_part(obs, obs.failed, np.zeros(5, dtype=bool), 5.0, level=0.9)
    assert part is not None
    assert (part.failures, part.share, part.high) == (3, 1.0, 1.0)
    assert part.low == pytest.approx(0.05 ** (1 / 3))
    assert count_part(obs, np.zeros(5, dtype=bool), np.zeros(5, dtype=bool), 5.0, level=0.9) is None

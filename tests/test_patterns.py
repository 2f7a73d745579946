"""Trees as a second look: reported only where they beat one level out of fold."""

import numpy as np
import pytest

from wearlab.curves.patterns import Patterns, compare_patterns


def _data(seed: int, combined: float, single: float = 1.0) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    n = 3000
    truck = rng.integers(0, 400, n)
    codes = np.column_stack([rng.integers(-1, 4, n), rng.integers(0, 30, n), rng.integers(0, 4, n)])
    expected = rng.gamma(2.0, 0.15, n)
    ratio = np.where((codes[:, 0] == 3) & (codes[:, 2] == 1), combined, 1.0) * np.where(codes[:, 0] == 3, single, 1.0)
    observed = rng.poisson(expected * ratio).astype(float)
    return codes, observed, expected * observed.sum() / expected.sum(), truck, codes[:, 0] == 3


def _compare(data: tuple[np.ndarray, ...], seed: int = 1) -> Patterns:
    found = compare_patterns(*data, seed=seed)
    assert found is not None
    return found


def test_a_combination_beats_its_best_single_level_and_is_said_in_words() -> None:
    found = _compare(_data(1, combined=8.0))
    assert found.beats
    assert set(found.rule) == {(0, 3, True), (2, 1, True)}
    assert found.rule_observed / found.rule_expected > 3
    assert found.importance[[0, 2]].min() > found.importance[1].max()


def test_one_bad_level_is_left_to_the_single_level() -> None:
    found = _compare(_data(2, combined=1.0, single=3.0))
    assert found.single_gain > 20
    assert not found.beats


@pytest.mark.parametrize("seed", range(5))
def test_chance_is_not_taken_for_a_combination(seed: int) -> None:
    assert not _compare(_data(10 + seed, combined=1.0)).beats


def test_the_same_input_gives_the_same_output_to_the_last_digit() -> None:
    data = _data(3, combined=4.0)
    one, other = _compare(data), _compare(data)
    assert (one.difference, one.low, one.rule) == (other.difference, other.low, other.rule)
    assert (one.importance == other.importance).all()


def test_too_few_trucks_to_fold_are_not_looked_at() -> None:
    codes, observed, expected, truck, single = _data(4, combined=4.0)
    few = truck < 8
    assert compare_patterns(codes[few], observed[few], expected[few], truck[few], single[few], seed=1) is None

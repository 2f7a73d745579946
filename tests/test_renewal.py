"""Failures over a horizon, for tables of parameter sets and parts already in service."""

import numpy as np
import pytest

from wearlab.curves.renewal import expected_failures, frailty_nodes, tabulate_renewals


def test_the_table_of_many_sets_agrees_with_each_alone():
    shapes, variances = np.array([1.4, 2.2, 3.0]), np.array([0.0, 0.3, 0.8])
    spans = np.array([0.02, 0.3, 1.0, 4.0])
    table = tabulate_renewals(shapes, variances).at(np.tile(spans, (3, 1)))
    for row, (shape, variance) in enumerate(zip(shapes, variances, strict=True)):
        alone = expected_failures(shape, 1.0, spans, frailty_variance=variance)
        np.testing.assert_allclose(table[row], alone, rtol=6e-4)


def test_a_part_already_worn_fails_sooner_than_a_new_one():
    new = float(expected_failures(2.5, 1.0, 0.5))
    worn = float(expected_failures(2.5, 1.0, 0.5, age=0.9))
    assert worn > 2 * new


def test_expected_failures_of_a_worn_part_agree_with_drawn_lives():
    shape, age, horizon = 2.2, 0.7, 1.5
    rng = np.random.default_rng(1)
    at = (age**shape + rng.exponential(size=100_000)) ** (1 / shape) - age
    count = np.zeros(len(at))
    alive = at < horizon
    while alive.any():
        count[alive] += 1
        at[alive] += rng.exponential(size=alive.sum()) ** (1 / shape)
        alive &= at < horizon
    error = count.std() / np.sqrt(len(count))
    assert float(expected_failures(shape, 1.0, horizon, age=age)) == pytest.approx(count.mean(), abs=3.5 * error)


def test_frailty_nodes_keep_a_mean_of_one():
    weights, levels = frailty_nodes(np.array([0.0, 0.1, 1.0, 3.0]))
    np.testing.assert_allclose(levels @ weights, 1.0, rtol=1e-12)
    assert (levels[0] == 1.0).all()


def test_a_longer_horizon_never_means_fewer_failures():
    spans = np.linspace(0.05, 12, 300)
    values = tabulate_renewals(np.array([0.8, 4.0]), np.array([0.2, 0.0])).at(np.tile(spans, (2, 1)))
    assert (np.diff(values, axis=1) > 0).all()

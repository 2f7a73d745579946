"""Failures that come again at one place: windows, ties, cut chains, trend."""

import numpy as np
import pandas as pd
import pytest

from tests.curve_histories import make_lives
from wearlab.curves.places import chain_lives
from wearlab.curves.recurrence import Window, count_mean_number, find_trend


def test_mean_number_by_hand() -> None:
    # Two places watched to 10 and 6; failures at 2 and 6 (first), 5 twice (second): 1/2, then 2/2, then 1/2 at 6.
    window = Window(np.zeros(2), np.array([10.0, 6.0]), np.arange(2))
    mean = count_mean_number(
        window, np.array([0, 0, 1, 1]), np.array([2.0, 6.0, 5.0, 5.0]), np.array([2.0, 5.0, 6.0]), level=0.9
    )
    np.testing.assert_allclose(mean.number, [0.5, 1.5, 2.0])
    np.testing.assert_allclose(mean.at_risk, [2, 2, 2])
    assert (mean.low < mean.number)[:2].all()
    assert mean.error[2] == 0.0  # both places have had two by then


def test_a_place_watched_from_later_on_is_not_at_risk_before() -> None:
    window = Window(np.array([0.0, 4.0]), np.array([10.0, 10.0]), np.arange(2))
    mean = count_mean_number(window, np.array([0, 1]), np.array([2.0, 6.0]), np.array([3.0, 7.0]), level=0.9)
    np.testing.assert_allclose(mean.number, [1.0, 1.5])


def test_the_error_is_the_spread_over_fleets_whose_trucks_differ() -> None:
    rng = np.random.default_rng(1)
    numbers, errors = [], []
    for _ in range(200):
        rate = np.repeat(rng.gamma(2.0, 0.5, 30), 3)
        counts = rng.poisson(2 * rate)
        place = np.repeat(np.arange(90), counts)
        window = Window(np.zeros(90), np.full(90, 2.0), np.repeat(np.arange(30), 3))
        mean = count_mean_number(window, place, rng.uniform(0, 2, len(place)), np.array([2.0]), level=0.9)
        numbers.append(mean.number[0])
        errors.append(mean.error[0])
    assert np.mean(errors) == pytest.approx(np.std(numbers), rel=0.15)


def test_trend_keeps_its_level_though_trucks_differ() -> None:
    rng = np.random.default_rng(2)
    low = 0
    for _ in range(300):
        rate = np.repeat(rng.gamma(2.0, 0.5, 40), 2)
        place = np.repeat(np.arange(80), rng.poisson(2 * rate))
        window = Window(np.zeros(80), np.full(80, 2.0), np.repeat(np.arange(40), 2))
        trend = find_trend(window, place, rng.uniform(0, 2, len(place)))
        assert trend is not None
        low += trend.p_value < 0.1
    assert low <= 30 + 3 * np.sqrt(300 * 0.1 * 0.9)


def test_trend_recovers_a_planted_power_law() -> None:
    rng = np.random.default_rng(3)
    place = np.repeat(np.arange(400), rng.poisson(2.0, 400))
    age = 10 * rng.random(len(place)) ** (1 / 1.6)  # M(t) = 2·(t/10)^1.6
    trend = find_trend(Window(np.zeros(400), np.full(400, 10.0), np.arange(400)), place, age)
    assert trend is not None
    assert trend.beta == pytest.approx(1.6, abs=4 * 1.6 / np.sqrt(len(place)))
    assert trend.p_value < 1e-6


def test_a_place_that_was_never_watched_does_not_move_the_trend() -> None:
    age, place = np.array([2.0, 5.0, 9.0, 9.5]), np.array([0, 1, 1, 0])
    seen = find_trend(Window(np.zeros(2), np.full(2, 10.0), np.arange(2)), place, age)
    more = find_trend(Window(np.zeros(3), np.array([10.0, 10.0, 0.0]), np.arange(3)), place, age)
    assert seen is not None
    assert more == seen


def test_lives_of_a_place_are_chained_zero_lengths_included() -> None:
    lives = make_lives(
        [100.0, 0.0, 60.0, 90.0],
        [1, 1, 0, 0],
        unit_id=["A", "A", "A", "B"],
        position="p",
        component="joint",
        life_number=[1, 2, 3, 1],
        entry=[30.0, 0.0, 0.0, 0.0],
    )
    places = chain_lives(lives)
    assert places is not None
    np.testing.assert_allclose(places.window.start, [30.0, 0.0])
    np.testing.assert_allclose(places.window.end, [160.0, 90.0])
    np.testing.assert_allclose(places.age, [100.0, 100.0])
    np.testing.assert_array_equal(places.place, [0, 0])


def test_a_failure_at_the_very_start_finds_all_at_risk_that_start_there() -> None:
    window = Window(np.array([0.0, 0.0, 5.0, 5.0]), np.full(4, 10.0), np.arange(4))
    mean = count_mean_number(window, np.array([0, 2]), np.array([0.0, 5.0]), np.array([1.0, 6.0]), level=0.9)
    np.testing.assert_allclose(mean.number, [1 / 2, 1 / 2 + 1 / 4])


def test_a_chain_is_cut_where_a_life_has_no_age() -> None:
    lives = make_lives(
        [np.nan, 60.0, 90.0, 20.0],
        [1, 1, 1, 1],
        unit_id=["A", "A", "B", "B"],
        position="p",
        component="joint",
        life_number=[1, 2, 1, 2],
        entry=[np.nan, 0.0, 0.0, 0.0],
    )
    places = chain_lives(lives)
    assert places is not None
    assert places.place.tolist() == [0, 0]
    np.testing.assert_allclose(places.window.end, [110.0])
    np.testing.assert_allclose(places.age, [90.0, 110.0])


def test_a_part_that_failed_as_it_was_seen_first_has_the_age_at_which_its_watch_began() -> None:
    lives = make_lives([1e9 / 3, 0.1 + 0.2], [0, 1], unit_id=["A", "B"], position="p", component="joint",
                       life_number=[1, 1], entry=[0.0, 0.1 + 0.2])  # fmt: skip
    places = chain_lives(lives)
    assert places is not None
    assert places.age[0] == places.window.start[1]


def test_a_chain_is_cut_where_lives_were_left_out() -> None:
    days = pd.to_datetime(["2024-01-01", "2024-03-01", "2024-08-01"])
    lives = make_lives(
        [100.0, 50.0, 60.0],
        [1, 1, 1],
        unit_id="A",
        position="p",
        component="joint",
        life_number=[1, 2, 3],
        start_date=days,
        end_date=[days[1], pd.Timestamp("2024-05-01"), pd.Timestamp("2024-09-01")],
    )
    places = chain_lives(lives)
    assert places is not None
    assert places.age.tolist() == [100.0, 150.0]
    assert places.window.end.tolist() == [150.0]


def test_lives_without_named_places_have_no_chain() -> None:
    assert chain_lives(make_lives([10.0], [1], position=None)) is None

"""The fit of practice: what it refuses, says and leaves unchanged."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.studies.episodes import Truth, draw, three_classes
from wearlab.curves.practice import NoPracticeFit, PracticeFit, fit_practice
from wearlab.curves.practice_layout import practised_range
from wearlab.curves.practice_pooling import pool_effects


@pytest.fixture(scope="module")
def history():
    return draw(Truth(three_classes(40, (1.0, 0.6, 1.0)), found_share=0.4), seed=11)


@pytest.fixture(scope="module")
def fit(history):
    result = fit_practice(history.episodes, component="joint", level=0.9)
    assert isinstance(result, PracticeFit)
    return result


def test_an_interval_never_excludes_its_estimate(fit):
    for effect in fit.effects:
        assert effect.theta_low < effect.theta < effect.theta_high
        assert effect.theta_unpooled_low < effect.theta_unpooled < effect.theta_unpooled_high
        assert effect.shape_low < effect.shape < effect.shape_high
        assert effect.eta_low < effect.eta < effect.eta_high
    assert fit.frailty_low <= fit.frailty_variance <= fit.frailty_high


def test_pooling_draws_the_effects_together(fit):
    own = [effect.theta_unpooled for effect in fit.effects]
    pooled = [effect.theta for effect in fit.effects]
    assert max(pooled) - min(pooled) < max(own) - min(own)


def test_a_class_pooled_with_none_keeps_its_own_interval():
    pooled = pool_effects(np.array([0.7]), np.array([0.2]))
    low, high = pooled.limits(0.9)
    assert low[0] == pytest.approx(0.7 - 1.6448536 * 0.2)
    assert high[0] == pytest.approx(0.7 + 1.6448536 * 0.2)


def test_the_unit_of_age_does_not_change_shape_or_effect(history, fit):
    km = history.episodes.copy()
    for column in ("entry", "exit", "lower", "upper"):
        km[column] *= 1.609344
    other = fit_practice(km, component="joint", level=0.9)
    for a, b in zip(fit.effects, other.effects, strict=True):
        assert b.shape == pytest.approx(a.shape, rel=1e-8)
        assert b.theta == pytest.approx(a.theta, abs=1e-8)
        assert b.eta == pytest.approx(1.609344 * a.eta, rel=1e-8)


def test_the_unit_of_practice_does_not_change_the_effect(history, fit):
    km = history.episodes.assign(practised_miles=history.episodes["practised_miles"] * 1.609344)
    other = fit_practice(km, component="joint", level=0.9)
    assert [e.theta for e in other.effects] == pytest.approx([e.theta for e in fit.effects], abs=1e-7)


def test_the_order_of_rows_does_not_matter(history, fit):
    shuffled = history.episodes.sample(frac=1.0, random_state=1)
    assert fit_practice(shuffled, component="joint", level=0.9).tables()["effects"].equals(fit.tables()["effects"])


def test_a_stretch_cut_in_two_is_the_same_stretch(history, fit):
    rows = history.episodes
    cut = rows[rows["lower"].isna()].iloc[::50]
    rest = rows.drop(cut.index)
    middle = (cut["entry"] + cut["exit"]) / 2
    halves = [cut.assign(exit=middle, failed=False), cut.assign(entry=middle)]
    other = fit_practice(pd.concat([rest, *halves], ignore_index=True), component="joint", level=0.9)
    assert other.log_likelihood == pytest.approx(fit.log_likelihood, rel=1e-9)


def test_a_class_whose_practice_hardly_varied_cannot_say():
    classes = three_classes(30, 1.0)
    truth = Truth((replace(classes[0], spread=0.02), classes[1]), gap_spread=0.05)
    fit = fit_practice(draw(truth, seed=2).episodes, component="joint", level=0.9)
    steady, varied = fit.effect("line_haul"), fit.effect("regional")
    assert steady.theta is None
    assert steady.theta_unpooled is None
    assert varied.theta is not None
    assert [c.code for c in fit.cautions] == ["practice-not-varied"]
    assert "line_haul" in fit.cautions[0].text


def test_sealed_parts_and_unknown_practice_are_left_out(history, fit):
    rows = history.episodes
    sealed = rows.assign(hardware="sealed", life_id=rows["life_id"] + 10**6)
    unknown = rows.assign(practised_miles=np.nan, life_id=rows["life_id"] + 2 * 10**6)
    other = fit_practice(pd.concat([rows, sealed, unknown], ignore_index=True), component="joint", level=0.9)
    assert other.log_likelihood == pytest.approx(fit.log_likelihood, rel=1e-12)


def test_no_failures_is_a_refusal_with_a_fix(history):
    result = fit_practice(history.episodes.assign(failed=False), component="joint", level=0.9)
    assert isinstance(result, NoPracticeFit)
    assert result.code == "no-failures"
    assert result.fix


def test_no_spread_between_trucks_is_an_answer_with_an_upper_limit():
    variances = []
    for seed in range(4):
        fit = fit_practice(
            draw(Truth(three_classes(25, 0.5), frailty=0.0), seed=seed).episodes, component="joint", level=0.9
        )
        variances.append(fit.frailty_variance)
        assert fit.frailty_low <= fit.frailty_variance <= fit.frailty_high < 0.8
    assert min(variances) == 0.0


def test_draws_centre_on_the_fit_and_repeat_with_their_seed(fit):
    draws, again = fit.draw(4000, seed=3), fit.draw(4000, seed=3)
    assert np.array_equal(draws.theta, again.theta)
    for c, effect in enumerate(fit.effects):
        assert draws.theta[:, c].mean() == pytest.approx(effect.theta, abs=0.02)
        assert np.median(draws.eta[:, c]) == pytest.approx(effect.eta, rel=0.05)
        low, high = np.quantile(draws.theta[:, c], (0.05, 0.95))
        assert low == pytest.approx(effect.theta_low, abs=0.06)
        assert high == pytest.approx(effect.theta_high, abs=0.06)


def test_the_practised_range_needs_five_trucks_and_five_failures_beyond_each_end():
    logs = np.log(np.array([1.0, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12] * 2))
    truck = np.arange(24) % 12
    low, high = practised_range(logs, np.full(24, 1.0), truck)
    assert np.exp(low) == pytest.approx(5.0)
    assert np.exp(high) == pytest.approx(8.0)
    low, high = practised_range(logs, np.full(24, 0.1), truck)
    assert low == high

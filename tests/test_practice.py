"""The fit of practice: what it refuses, says and leaves unchanged."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.studies.episodes import Truth, draw, three_classes
from wearlab.answers.intervals_effects import find_renewed
from wearlab.curves import practice_known
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


def test_steps_of_a_practice_that_does_not_move_multiply_to_the_whole_record(history, monkeypatch):
    steady = history.episodes.assign(
        practised_miles=history.episodes.groupby("unit_id")["practised_miles"].transform("last"),
        practice_source="gaps",
        lower=np.nan,  # a failure found at inspection is reckoned at the middle in later steps: close, not the same
        upper=np.nan,
    )
    renewed = find_renewed(history)
    whole = fit_practice(steady, component="joint", level=0.9, renewed=renewed)
    monkeypatch.setattr(practice_known, "MOVED", -1.0)
    steps = fit_practice(steady, component="joint", level=0.9, renewed=renewed)
    assert steps.maximum.stretches.trucks > 5 * whole.maximum.stretches.trucks
    assert steps.log_likelihood == pytest.approx(whole.log_likelihood, rel=1e-9)
    assert [e.theta_unpooled for e in steps.effects] == pytest.approx(
        [e.theta_unpooled for e in whole.effects], abs=1e-6
    )


def test_chance_moves_of_recorded_practice_do_not_draw_the_effect_toward_nil():
    """Over 12 fleets with clear effects, noisy gaps and differing trucks; taking the moves as real gives −0.15."""
    found = []
    for seed in range(12):
        truth = Truth(three_classes(60, 1.4), gap_spread=0.5)
        history = draw(truth, seed=seed, components=("joint",))
        fit = fit_practice(history.episodes, component="joint", level=0.9, renewed=find_renewed(history))
        found.append(np.mean([effect.theta_unpooled for effect in fit.effects]))
    error = np.std(found) / np.sqrt(len(found))
    assert abs(np.mean(found) - 1.4) < 2 * error + 0.03


def test_a_new_phase_begins_with_a_clear_change_and_not_by_chance():
    rng = np.random.default_rng(0)
    stops = 40
    gaps = 10_000 * np.exp(0.2 * rng.standard_normal((30, stops)))
    gaps[:15, 20:] *= 1.8
    raw = pd.DataFrame(gaps.T).rolling(5, min_periods=1).mean().to_numpy().T
    t, s = np.divmod(np.arange(30 * stops), stops)
    rows = pd.DataFrame(
        {
            "life_id": t,
            "unit_id": t,
            "position": "a",
            "duty_cycle": "d",
            "entry": s * 1.0,
            "exit": s + 1.0,
            "failed": False,
            "lower": np.nan,
            "upper": np.nan,
            "practised_miles": raw.ravel(),
            "raw_practised_miles": raw.ravel(),
            "gaps_behind": np.minimum(s + 1, 5),
            "entry_date": pd.Timestamp(2020, 1, 1) + pd.to_timedelta(s * 30, unit="D"),
        }
    )
    phases = practice_known.hold_known(rows, ()).groupby("unit_id")["phase"].nunique()
    assert (phases[:15] >= 2).all()
    assert (phases[15:] == 1).sum() >= 13

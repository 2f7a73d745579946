"""Expected failures: class curves with and without one truck."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from wearlab.curves.expected import (
    Spans,
    add_up,
    fit_classes,
    hazards,
    leave_out,
    leave_out_level,
    level_hazards,
    level_sums,
    refit,
    shape_interval,
)
from wearlab.curves.expected_practice import practice_effects, relative_hazards


def _spans(seed: int, lives: int = 400, trucks: int = 40, shape: float = 2.2, scale: float = 1.0) -> Spans:
    rng = np.random.default_rng(seed)
    unit = np.sort(rng.integers(0, trucks, lives))
    entry = np.where(rng.random(lives) < 0.4, rng.random(lives) * 50, 0.0)
    ends = (entry**shape + 200**shape * rng.exponential(size=lives)) ** (1 / shape)
    censor = entry + rng.random(lives) * 250
    return Spans(
        stratum=(unit % 2).astype(np.int64),
        unit=unit.astype(np.int64),
        life=np.arange(lives),
        entry=entry * scale,
        exit=np.minimum(ends, censor) * scale,
        failed=ends <= censor,
        weight=np.ones(lives),
        relative=np.ones(lives),
    )


def _direct(spans: Spans, rows: np.ndarray) -> tuple[float, float]:
    """The Weibull maximum likelihood written out and maximised by scipy."""
    exit_, entry, failed, weight = spans.exit[rows], spans.entry[rows], spans.failed[rows], spans.weight[rows]

    def loss(theta: np.ndarray) -> float:
        k, log_eta = np.exp(theta[0]), theta[1]
        whole = np.exp(k * (np.log(exit_) - log_eta))
        early = np.where(entry > 0, np.exp(k * (np.log(np.where(entry > 0, entry, 1.0)) - log_eta)), 0.0)
        log_hazard = np.log(k) + (k - 1) * np.log(exit_) - k * log_eta
        return float((weight * (whole - early)).sum() - (weight * failed * log_hazard).sum())

    start = [0.5, float(np.log(exit_.mean()))]
    options = {"xatol": 1e-12, "fatol": 1e-13, "maxiter": 8000}
    best = minimize(loss, start, method="Nelder-Mead", options=options)
    best = minimize(loss, best.x, method="Nelder-Mead", options=options)
    return float(np.exp(best.x[0])), float(np.exp(best.x[1]))


@pytest.mark.parametrize("truck", [0, 1, 7, 22])
def test_a_trucks_expected_failures_are_those_of_a_curve_fitted_without_it(truck: int) -> None:
    spans = _spans(1)
    left = leave_out(spans, fit_classes(spans))
    shape, eta = _direct(spans, np.flatnonzero((spans.stratum == truck % 2) & (spans.unit != truck)))
    mine = spans.unit == truck
    direct = (spans.exit[mine] / eta) ** shape - (spans.entry[mine] / eta) ** shape
    assert left.hazard[mine] == pytest.approx(direct, rel=1e-6)


def test_expected_failures_of_a_whole_class_add_up_to_the_observed_ones() -> None:
    spans = _spans(2)
    total = add_up(spans.stratum, hazards(spans, fit_classes(spans)), 2)
    assert total == pytest.approx(add_up(spans.stratum, spans.failed, 2), rel=1e-12)


def test_a_row_that_stands_for_several_lives_counts_as_so_many_rows() -> None:
    spans = _spans(3, lives=120)
    twice = spans.take(np.repeat(np.arange(120), 2))
    heavy = Spans(
        **{name: getattr(spans, name) for name in Spans.__slots__ if name != "weight"}, weight=np.full(120, 2.0)
    )
    one, other = leave_out(twice, fit_classes(twice)), leave_out(heavy, fit_classes(heavy))
    assert one.hazard.reshape(120, 2).sum(axis=1) == pytest.approx(other.hazard, rel=1e-9)


def test_kilometres_and_miles_give_the_same_expected_failures() -> None:
    miles, km = _spans(4), _spans(4, scale=1.609344)
    assert leave_out(km, fit_classes(km)).hazard == pytest.approx(leave_out(miles, fit_classes(miles)).hazard, rel=1e-8)


def test_a_life_split_at_an_entry_point_expects_what_the_whole_life_does() -> None:
    spans = _spans(5)
    whole = leave_out(spans, fit_classes(spans)).hazard
    middle = (spans.entry + spans.exit) / 2
    parts = spans.take(np.concatenate([np.arange(400), np.arange(400)]))
    parts = Spans(
        parts.stratum,
        parts.unit,
        parts.life,
        np.concatenate([spans.entry, middle]),
        np.concatenate([middle, spans.exit]),
        np.concatenate([np.zeros(400, dtype=bool), spans.failed]),
        parts.weight,
        parts.relative,
    )
    split = leave_out(parts, fit_classes(parts)).hazard
    assert split[:400] + split[400:] == pytest.approx(whole, rel=1e-8)


def test_a_class_of_one_truck_expects_nothing_that_could_be_known() -> None:
    spans = _spans(6, lives=30, trucks=1)
    assert np.isnan(leave_out(spans, fit_classes(spans)).hazard).all()


def test_a_class_whose_other_trucks_never_failed_still_expects_something_and_is_unsure_of_it() -> None:
    spans = _spans(7, lives=60, trucks=6)
    failed = spans.failed & (spans.unit == 0)
    lone = Spans(
        np.zeros(60, dtype=np.int64),
        spans.unit,
        spans.life,
        spans.entry,
        spans.exit,
        failed,
        spans.weight,
        spans.relative,
    )
    left = leave_out(lone, fit_classes(lone))
    mine = lone.unit == 0
    assert 0 < left.hazard[mine].sum() < 1
    assert (left.variance[mine] >= 2.0).all()


def test_other_failures_in_the_same_exposure_refit_to_the_curve_that_a_direct_fit_gives() -> None:
    spans = _spans(8)
    curve = fit_classes(spans)[0]
    drawn = np.zeros(400, dtype=bool)
    drawn[curve.rows[::3]] = True
    part = curve.rows
    log_age = np.log(spans.exit[part]) - curve.log_scale
    shape, rate = refit(curve, np.array([drawn[part].sum()], dtype=float), np.array([(drawn[part] * log_age).sum()]))
    changed = Spans(spans.stratum, spans.unit, spans.life, spans.entry, spans.exit, drawn, spans.weight, spans.relative)
    direct_shape, direct_eta = _direct(changed, part)
    assert np.exp(shape[0]) == pytest.approx(direct_shape, rel=1e-6)
    code = (spans.unit % 3).astype(np.int64)
    expected = level_hazards(curve, level_sums(spans, curve, code, 3), shape, rate)[0]
    hazard = (spans.exit / direct_eta) ** direct_shape - (spans.entry / direct_eta) ** direct_shape
    assert expected == pytest.approx(add_up(code[part], hazard[part], 3), rel=1e-6)


def test_a_level_left_out_expects_what_the_rest_of_its_classes_show() -> None:
    observed = np.array([[4.0, 2.0, 10.0], [1.0, 0.0, 5.0]])
    hazard = np.array([[2.0, 3.0, 10.0], [1.0, 1.0, 5.0]])
    assert leave_out_level(observed, hazard) == pytest.approx([6 * 2 / 8 + 4 / 4, 8 * 3 / 7 + 5 / 4])


def test_the_interval_of_a_shape_holds_the_planted_shape_nine_times_in_ten() -> None:
    held = 0
    for seed in range(60):
        spans = _spans(100 + seed, lives=200)
        one = Spans(
            np.zeros(200, dtype=np.int64),
            spans.unit,
            spans.life,
            spans.entry,
            spans.exit,
            spans.failed,
            spans.weight,
            spans.relative,
        )
        _, low, high = shape_interval(fit_classes(one)[0], 0.9)
        held += low <= 2.2 <= high
    assert 48 <= held <= 60  # binomial 60, 0.9: 54, three standard errors 7


def test_the_effect_of_practice_is_recovered_and_moves_what_is_expected() -> None:
    rng = np.random.default_rng(12)
    lives = 1500
    log_practice = rng.normal(np.log(9000.0), 0.4, lives)
    ends = 200 * (rng.exponential(size=lives) / np.exp(0.9 * (log_practice - np.log(9000.0)))) ** (1 / 2.2)
    censor = rng.random(lives) * 250
    spans = Spans(
        stratum=np.zeros(lives, dtype=np.int64),
        unit=np.arange(lives) % 100,
        life=np.arange(lives),
        entry=np.zeros(lives),
        exit=np.minimum(ends, censor),
        failed=ends <= censor,
        weight=np.ones(lives),
        relative=np.ones(lives),
    )
    theta = practice_effects(spans, log_practice, 1)
    assert theta[0] == pytest.approx(0.9, abs=3 / np.sqrt(spans.failed.sum() * 0.16))  # three standard errors
    relative = relative_hazards(spans, log_practice, theta)
    adjusted = replace(spans, relative=relative)
    hazard = hazards(adjusted, fit_classes(adjusted))
    long = log_practice > np.quantile(log_practice, 0.75)
    assert hazard[long].sum() == pytest.approx(spans.failed[long].sum(), rel=0.15)
    assert hazards(spans, fit_classes(spans))[long].sum() < 0.85 * spans.failed[long].sum()


def test_practice_that_is_not_known_changes_nothing() -> None:
    spans = _spans(13)
    unknown = np.full(400, np.nan)
    theta = practice_effects(spans, unknown, 2)
    assert (theta == 0).all()
    assert (relative_hazards(spans, unknown, theta) == 1).all()

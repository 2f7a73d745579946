"""Failures drawn again by chance: every stretch gets its share, and trucks differ as they were said to."""

import numpy as np

from tests.test_expected import _spans
from wearlab.curves.expected import Spans, fit_classes, hazards
from wearlab.curves.expected_counts import GRID
from wearlab.curves.expected_null import count_levels

DRAWS = 4000


def _counts(spans: Spans, code: np.ndarray, variance: float) -> np.ndarray:
    curves = fit_classes(spans)
    spread = (variance == GRID).astype(np.float64)
    return count_levels(spans, curves, [code], spread, draws=DRAWS, seed=(3,), progress=lambda _: None)[
        0
    ].drawn_observed


def test_every_stretch_fails_as_often_as_its_hazard_says() -> None:
    spans = _spans(1, lives=60, trucks=12)
    mixed = spans.take(np.random.default_rng(2).permutation(60))
    drawn = _counts(mixed, np.arange(60), 1e-4)
    expected = hazards(mixed, fit_classes(mixed))
    errors = (drawn.mean(axis=0) - expected) / np.sqrt(expected / DRAWS)
    assert np.abs(errors).max() < 4.0
    often = expected > 0.1
    assert np.isclose(drawn.var(axis=0)[often], expected[often], rtol=0.15).all()


def test_a_trucks_failures_vary_together_by_the_spread_between_trucks() -> None:
    spans = _spans(4, lives=300, trucks=6)
    drawn = _counts(spans, spans.unit, 0.25)
    expected = np.bincount(spans.unit, hazards(spans, fit_classes(spans)))
    assert np.isclose(drawn.var(axis=0), expected + 0.25 * expected**2, rtol=0.15).all()
    within = np.corrcoef(drawn.T)[np.triu_indices(6, 1)]
    assert np.abs(within).max() < 0.08

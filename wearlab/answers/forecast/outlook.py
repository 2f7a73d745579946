"""One stratum's outlook: what its places are expected to do, and what they do in every draw."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import binom

from wearlab.answers.forecast.counts import (
    Bound,
    Draws,
    Law,
    add_counts,
    frailty_grid,
    look_ahead,
    simulate,
    truck_counts,
)
from wearlab.answers.forecast.leaving import Leaving
from wearlab.answers.forecast.model import Curve, Stratum, truck_sums
from wearlab.answers.forecast.places import Places, Span, truck_codes
from wearlab.answers.forecast.practice import Effect

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

CELLS_AT_ONCE = 2_000_000
CHANCE_DRAWS = 200


@dataclass(frozen=True, slots=True)
class Usage:
    """Per draw and truck: usage over expected usage, and the share of the months served before leaving."""

    trucks: pd.Index
    factor: FloatArray
    served: FloatArray


@dataclass(frozen=True, slots=True)
class Reach:
    """How far the forecast reaches, with what holds for every truck: its usage, and its leaving service."""

    span: Span
    leaving: Leaving
    usage: Usage
    draws: int


@dataclass(frozen=True, slots=True)
class Known:
    """A stratum's lives, their trucks in the order of their codes, and what practice does to their hazard."""

    stratum: Stratum
    trucks: pd.Index
    effect: Effect
    usual: float  # mean ln of practised miles per stop, by hazard


@dataclass(frozen=True, slots=True)
class Outlook:
    """What one stratum's places will do; months are cumulative, draws are counts of failures."""

    key: tuple[str, str]
    places: pd.DataFrame
    curve: Curve
    removal: float
    known: Known
    expected: FloatArray  # places × months
    chance: FloatArray  # places
    chances: FloatArray  # draws × places: the chance under other curves
    by_draw: FloatArray  # draws × months
    by_shop: dict[str, FloatArray]  # draws
    distribution: FloatArray  # of the whole count, at the fitted values
    on_road: float = 1.0  # share of failures that were not found at inspection


def share_usage(places: Places, draws: int, rng: np.random.Generator) -> Usage:
    """Return usage and leaving drawn once for every truck, since all its places share them."""
    shape = (draws, len(places.trucks))
    factor, served = np.ones((1, len(places.trucks))), np.ones((1, len(places.trucks)))
    if places.change > 0:
        factor = np.exp(places.change * rng.standard_normal(shape) - 0.5 * places.change**2)
    if (places.leaving.rate > 0).any():
        served = places.leaving.draw(np.broadcast_to(factor, shape), rng)
    return Usage(places.trucks, factor, served)


@dataclass(frozen=True, slots=True)
class Frailty:
    """What is known of each truck's frailty, gamma(shape, rate); None where trucks are taken to be alike."""

    shape: FloatArray
    rate: FloatArray


def truck_frailty(known: Known, shape: float, rate: float, frailty: float) -> Frailty | None:
    """Return each truck's frailty given its own failures and exposure under one curve."""
    if frailty <= 0:
        return None
    sums = truck_sums(known.stratum, shape, len(known.trucks))
    k = 1.0 / frailty
    return Frailty(k + sums.failures, k + rate * sums.gained)


def foresee_fleet(
    key: tuple[str, str],
    places: pd.DataFrame,
    curve: Curve,
    known: Known,
    *,
    reach: Reach,
    removal: float,
    rng: np.random.Generator,
) -> Outlook:
    """Return the outlook of a stratum whose parts are replaced when they fail."""
    truck = truck_codes(known.trucks, places)
    law = Law(curve.shape, curve.rate, removal * curve.unit_of_age)
    bound = _bind(places, curve, known, reach)
    frailty = truck_frailty(known, curve.shape, curve.rate, curve.frailty)
    if frailty is None:
        z, weights = np.ones(1), np.ones((len(known.trucks), 1))
    else:
        z, weights = frailty_grid(frailty.shape, frailty.rate)
    ahead = look_ahead(law, z, bound, months=reach.span.months)
    mixed = weights[truck][:, :, None]
    expected, chance = (ahead.expected * mixed).sum(axis=1), (ahead.chance * mixed).sum(axis=1)[:, -1]
    here, code = np.unique(truck, return_inverse=True)
    by_draw, by_shop = _simulate(places, bound, curve, known, removal=law.removal, reach=reach, rng=rng)
    return Outlook(
        key,
        places,
        curve,
        removal,
        known,
        expected,
        chance,
        _chances(curve, known, truck, bound, chance),
        by_draw,
        by_shop,
        add_counts(truck_counts(ahead, weights[here], code)),
    )


def _bind(places: pd.DataFrame, curve: Curve, known: Known, reach: Reach) -> Bound:
    """Return where the places stand, ages in the curve's unit."""
    age = places["age"].to_numpy(dtype=float) / curve.unit_of_age
    span = places["span"].to_numpy(dtype=float) / curve.unit_of_age
    pressure = known.effect.pressure(places["practised"].to_numpy(dtype=float))
    return Bound(age, span, pressure, reach.leaving.take(truck_codes(reach.usage.trucks, places)))


def _simulate(
    places: pd.DataFrame,
    bound: Bound,
    curve: Curve,
    known: Known,
    *,
    removal: float,
    reach: Reach,
    rng: np.random.Generator,
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Return failures by draw and month (cumulative), and by draw for each shop."""
    draws, months, usage = len(curve.shapes), reach.span.months, reach.usage
    truck = truck_codes(known.trucks, places)
    doubt = known.effect.error * rng.standard_normal((draws, 1))
    column = truck_codes(usage.trucks, places)
    shops, shop = np.unique(places["shop"].fillna("").astype(str).to_numpy(), return_inverse=True)
    by_month, by_shop = np.zeros((draws, months)), np.zeros((draws, len(shops)))
    at_once = max(CELLS_AT_ONCE // len(places), 1)
    everything = np.arange(draws)
    for first in range(0, draws, at_once):
        rows = everything[first : first + at_once]
        full = bound.span * _rows(usage.factor, rows)[:, column]
        pressure = _press(bound, places, known, doubt[rows])
        cells = Draws(
            curve.shapes[rows],
            curve.rates[rows],
            _draw_frailties(curve, known, rows, rng)[:, truck] * pressure,
            np.maximum(full, 1e-12),
            full * _rows(usage.served, rows)[:, column],
        )
        found = simulate(cells, bound.age, removal=removal, rng=rng)
        month = np.minimum((found.share * months).astype(np.int64), months - 1)
        by_month[rows] = np.bincount(found.draw * months + month, minlength=len(rows) * months).reshape(-1, months)
        spot = found.draw * len(shops) + shop[found.place]
        by_shop[rows] = np.bincount(spot, minlength=len(rows) * len(shops)).reshape(-1, len(shops))
    return np.cumsum(by_month, axis=1), {str(name): by_shop[:, i] for i, name in enumerate(shops)}


def _press(bound: Bound, places: pd.DataFrame, known: Known, doubt: FloatArray) -> FloatArray:
    """Return the pressure of each place, by draw of what is not known of the effect of practice."""
    logs = np.log(places["practised"].to_numpy(dtype=float))
    away = np.where(np.isfinite(logs), logs - known.usual, 0.0)
    return np.asarray(bound.pressure * np.exp(doubt * away))


def _rows(values: FloatArray, rows: IntArray) -> FloatArray:
    return values[rows] if len(values) > 1 else np.repeat(values, len(rows), axis=0)


def _draw_frailties(curve: Curve, known: Known, rows: IntArray, rng: np.random.Generator) -> FloatArray:
    """Return one frailty per draw and truck, given the truck's own record under that draw's curve."""
    out = np.ones((len(rows), len(known.trucks)))
    for shape in np.unique(curve.shapes[rows]):
        at = np.flatnonzero((curve.shapes[rows] == shape) & (curve.frailties[rows] > 0))
        if len(at):
            sums = truck_sums(known.stratum, float(shape), len(known.trucks))
            k = 1.0 / curve.frailties[rows][at][:, None]
            seen = curve.rates[rows][at][:, None] * sums.gained
            out[at] = rng.gamma(k + sums.failures) / (k + seen)
    return out


def _chances(curve: Curve, known: Known, truck: IntArray, bound: Bound, chance: FloatArray) -> FloatArray:
    """Return each place's chance under other curves: the first failure's there, over the same at the fitted values."""

    def first(shape: float, rate: float, frailty: float) -> FloatArray:
        further = rate * bound.pressure * ((bound.age + bound.span) ** shape - bound.age**shape)
        known_of = truck_frailty(known, shape, rate, frailty)
        if known_of is None:
            return np.asarray(-np.expm1(-further))
        return np.asarray(-np.expm1(-known_of.shape[truck] * np.log1p(further / known_of.rate[truck])))

    best = np.maximum(first(curve.shape, curve.rate, curve.frailty), 1e-300)
    draws = range(0, len(curve.shapes), max(len(curve.shapes) // CHANCE_DRAWS, 1))
    other = [first(float(curve.shapes[i]), float(curve.rates[i]), float(curve.frailties[i])) for i in draws]
    return np.clip(np.array(other) / best * chance, 0.0, 1.0)


def foresee_file(
    key: tuple[str, str], places: pd.DataFrame, curve: Curve, known: Known, *, rng: np.random.Generator
) -> Outlook:
    """Return the outlook of a lives file's stratum: first failures of its suspended lives, rows with their counts."""
    age = places["age"].to_numpy(dtype=float) / curve.unit_of_age
    end = age + places["span"].to_numpy(dtype=float) / curve.unit_of_age
    count = places["count"].to_numpy(dtype=float)
    whole = np.round(count).astype(np.int64)
    chance = -np.expm1(-curve.rate * (end**curve.shape - age**curve.shape))
    draws = len(curve.shapes)
    total = np.empty((draws, 1))
    at_once = max(CELLS_AT_ONCE // len(places), 1)
    for first in range(0, draws, at_once):
        shape = curve.shapes[first : first + at_once, None]
        share = -np.expm1(-curve.rates[first : first + at_once, None] * (end**shape - age**shape))
        total[first : first + at_once, 0] = rng.binomial(whole, np.clip(share, 0.0, 1.0)).sum(axis=1)
    few = range(0, draws, max(draws // CHANCE_DRAWS, 1))
    other = [-np.expm1(-curve.rates[i] * (end ** curve.shapes[i] - age ** curve.shapes[i])) for i in few]
    return Outlook(
        key,
        places,
        curve,
        0.0,
        known,
        (count * chance)[:, None],
        chance,
        np.clip(np.array(other), 0.0, 1.0),
        total,
        {},
        add_counts([binom.pmf(np.arange(n + 1), n, p) for n, p in zip(whole, chance, strict=True)]),
    )

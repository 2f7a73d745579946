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
from wearlab.answers.forecast.hardware import Hardware
from wearlab.answers.forecast.leaving import Leaving
from wearlab.answers.forecast.model import Curve, Stratum, truck_sums
from wearlab.answers.forecast.places import Places, Span, truck_codes
from wearlab.answers.forecast.practice import Effect, is_sealed
from wearlab.answers.forecast.removal import Removals

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
    calendar: FloatArray
    leaving: Leaving
    usage: Usage
    draws: int


@dataclass(frozen=True, slots=True)
class Known:
    """A stratum's lives, their trucks in the order of their codes, and what moves their hazard and their removal."""

    stratum: Stratum
    trucks: pd.Index
    effect: Effect
    usual: float  # mean ln of practised miles per stop, by hazard
    hardware: Hardware
    removals: Removals  # by truck


@dataclass(frozen=True, slots=True)
class Outlook:
    """What one stratum's places will do; months are cumulative, draws are counts of failures."""

    key: tuple[str, str]
    places: pd.DataFrame
    curve: Curve
    known: Known
    expected: FloatArray  # places × months
    others: FloatArray  # places × months: replacements that are no failure
    chance: FloatArray  # places
    chances: FloatArray  # draws × places: the chance under other curves
    by_draw: FloatArray  # draws × months
    by_shop: dict[str, FloatArray]  # draws
    others_by_draw: FloatArray  # draws
    parts_by_shop: dict[str, FloatArray]  # draws: failures and other replacements
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
    return Frailty(k + sums.told + sums.failures, k + rate * (sums.before + sums.gained))


def foresee_fleet(
    key: tuple[str, str],
    places: pd.DataFrame,
    curve: Curve,
    known: Known,
    *,
    reach: Reach,
    rng: np.random.Generator,
) -> Outlook:
    """Return the outlook of a stratum whose parts are replaced when they fail."""
    truck = truck_codes(known.trucks, places)
    law = Law(curve.shape, curve.rate, known.removals.take(truck))
    bound = _bind(places, curve, known, reach)
    frailty = truck_frailty(known, curve.shape, curve.rate, curve.frailty)
    if frailty is None:
        z, weights = np.ones(1), np.ones((len(known.trucks), 1))
    else:
        z, weights = frailty_grid(frailty.shape, frailty.rate)
    ahead = look_ahead(law, z, bound, calendar=reach.calendar)
    mixed = weights[truck][:, :, None]
    expected, others = (ahead.expected * mixed).sum(axis=1), (ahead.others * mixed).sum(axis=1)
    chance = (ahead.chance * mixed).sum(axis=1)[:, -1]
    here, code = np.unique(truck, return_inverse=True)
    counted = _simulate(places, bound, curve, known, reach=reach, rng=rng)
    return Outlook(
        key,
        places,
        curve,
        known,
        expected,
        others,
        chance,
        _chances(curve, known, truck, bound, chance),
        counted.by_month,
        counted.by_shop,
        counted.others,
        counted.parts_by_shop,
        add_counts(truck_counts(ahead, weights[here], code)),
    )


def _bind(places: pd.DataFrame, curve: Curve, known: Known, reach: Reach) -> Bound:
    """Return where the places stand, ages in the curve's unit."""
    age = places["age"].to_numpy(dtype=float) / curve.unit_of_age
    span = places["span"].to_numpy(dtype=float) / curve.unit_of_age
    practice = known.effect.pressure(places["practised"].to_numpy(dtype=float))
    pressure = np.where(is_sealed(places), 1.0, practice) * known.hardware.pressure(places["hardware"])
    leaving = reach.leaving.take(truck_codes(reach.usage.trucks, places))
    return Bound(age, span, pressure, leaving, places["begin"].to_numpy(dtype=float))


@dataclass(frozen=True, slots=True)
class _Counted:
    """Failures by draw and month (cumulative) and by shop; other replacements, and all of both by shop, by draw."""

    by_month: FloatArray
    by_shop: dict[str, FloatArray]
    others: FloatArray
    parts_by_shop: dict[str, FloatArray]


def _simulate(
    places: pd.DataFrame, bound: Bound, curve: Curve, known: Known, *, reach: Reach, rng: np.random.Generator
) -> _Counted:
    draws, months, usage = len(curve.shapes), len(reach.calendar) - 1, reach.usage
    truck = truck_codes(known.trucks, places)
    doubt = known.effect.error * rng.standard_normal((draws, 1))
    of_hardware = rng.standard_normal((draws, max(len(known.hardware.effects), 1)))
    column = truck_codes(usage.trucks, places)
    shops, shop = np.unique(places["shop"].fillna("").astype(str).to_numpy(), return_inverse=True)
    by_month, others = np.zeros((draws, months)), np.zeros(draws)
    by_shop, parts_by_shop = np.zeros((draws, len(shops))), np.zeros((draws, len(shops)))
    at_once = max(CELLS_AT_ONCE // len(places), 1)
    everything = np.arange(draws)
    for first in range(0, draws, at_once):
        rows = everything[first : first + at_once]
        full = bound.span * _rows(usage.factor, rows)[:, column]
        pressure = _press(bound, places, known, doubt[rows], of_hardware[rows])
        cells = Draws(
            curve.shapes[rows],
            curve.rates[rows],
            _draw_frailties(curve, known, rows, rng)[:, truck] * pressure,
            np.maximum(full, 1e-12),
            full * _rows(usage.served, rows)[:, column],
            known.removals.draw(len(rows), rng)[:, truck],
            known.removals.shape,
        )
        found = simulate(cells, bound.age, rng=rng)
        begin = bound.begin[found.place]
        month = np.searchsorted(reach.calendar[1:-1], begin + (1.0 - begin) * found.share, side="right")
        spot, size = found.draw * len(shops) + shop[found.place], len(rows) * len(shops)
        failed = found.failed
        cell = found.draw[failed] * months + month[failed]
        by_month[rows] = np.bincount(cell, minlength=len(rows) * months).reshape(-1, months)
        by_shop[rows] = np.bincount(spot[failed], minlength=size).reshape(-1, len(shops))
        parts_by_shop[rows] = np.bincount(spot, minlength=size).reshape(-1, len(shops))
        others[rows] = np.bincount(found.draw[~failed], minlength=len(rows))
    return _Counted(
        np.cumsum(by_month, axis=1),
        {str(name): by_shop[:, i] for i, name in enumerate(shops)},
        others,
        {str(name): parts_by_shop[:, i] for i, name in enumerate(shops)},
    )


def _press(bound: Bound, places: pd.DataFrame, known: Known, doubt: FloatArray, of_hardware: FloatArray) -> FloatArray:
    """Return the pressure of each place, by draw of what is not known of the effects of practice and hardware."""
    logs = np.log(places["practised"].to_numpy(dtype=float))
    away = np.where(np.isfinite(logs) & ~is_sealed(places), logs - known.usual, 0.0)
    return np.asarray(bound.pressure * np.exp(doubt * away) * known.hardware.doubt(places["hardware"], of_hardware))


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
            seen = curve.rates[rows][at][:, None] * (sums.before + sums.gained)
            out[at] = rng.gamma(k + sums.told + sums.failures) / (k + seen)
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
        known,
        (count * chance)[:, None],
        np.zeros((len(places), 1)),
        chance,
        np.clip(np.array(other), 0.0, 1.0),
        total,
        {},
        np.zeros(draws),
        {},
        add_counts([binom.pmf(np.arange(n + 1), n, p) for n, p in zip(whole, chance, strict=True)]),
    )

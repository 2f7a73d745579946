"""Classes side by side: how long parts last in each, how often they fail, what they cost, and how sure that is."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearlab.curves.adjust import OtherDifferences, find_differences
from wearlab.curves.batch import WeibullFits
from wearlab.curves.logrank import compare_groups
from wearlab.curves.observations import BoolArray, FloatArray, IntArray, Observations, observations
from wearlab.curves.rates import rate_failures
from wearlab.curves.regression import LifeFactor, compare_lives
from wearlab.curves.resample import draw_trucks, resample_weibulls
from wearlab.curves.restricted import mean_life_until
from wearlab.curves.strata import choose_columns, choose_lives
from wearlab.curves.stratum import Estimate, Fit, Unfitted, fit_stratum
from wearlab.evidence import Basis, Caution, Unanswered, add_cautions
from wearlab.history.config import Costs
from wearlab.history.lives import History

REPLICATES = 1000
ENOUGH_TO_ADJUST = 5  # failures in each class
FEW_FOR_RATIO = 10  # failures in a class below which the interval of a ratio is wider than stated
DRAWS_AT_MOST = 20_000_000  # weights held in memory at once
REPLACED = ("failure", "planned", "with_mate", "campaign", "unknown")


@dataclass(frozen=True, slots=True)
class ClassLife:
    """One class of one component: its life, its failures per million of the scale, its cost per thousand."""

    component: str | None
    level: str
    fit: Fit | Unfitted
    trucks: int
    exposure: float
    rate_per_million: Estimate | None
    cost_per_1000: Estimate | None
    restricted_mean: Estimate | None
    restricted_until: float | None


@dataclass(frozen=True, slots=True)
class Contrast:
    """One class against the reference of its component; ``b10_ratio`` below 1: its parts wear out sooner."""

    component: str | None
    level: str
    reference: str
    b10_ratio: Estimate | None
    p_value: float | None
    replicates: int
    without_curve: int
    b10_ratio_adjusted: Estimate | None
    p_value_adjusted: float | None
    p_value_stratified: float | None
    adjusted_for: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Classes side by side, and each against the class with the most failures."""

    basis: Basis
    cautions: tuple[Caution, ...]
    factor: str
    classes: tuple[ClassLife, ...]
    contrasts: tuple[Contrast, ...]

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return ``classes`` and ``contrasts``, a row each."""
        return {
            "classes": pd.DataFrame([_row_of_class(item) for item in self.classes]),
            "contrasts": pd.DataFrame([_row_of_contrast(item) for item in self.contrasts], columns=CONTRAST_COLUMNS),
        }


CONTRAST_COLUMNS = [
    "component",
    "level",
    "reference",
    "b10_ratio",
    "b10_ratio_low",
    "b10_ratio_high",
    "p_value",
    "b10_ratio_adjusted",
    "b10_ratio_adjusted_low",
    "b10_ratio_adjusted_high",
    "p_value_adjusted",
    "p_value_stratified",
    "adjusted_for",
    "held_equal",
    "replicates",
    "without_curve",
]


def compare_classes(
    history: History,
    *,
    factor: str,
    level: float,
    seed: int,
    progress: Callable[[str], None],
    fitted: tuple[Fit | Unfitted, ...] = (),
) -> Comparison | Unanswered:
    """Return the classes of ``factor`` side by side within each component, or Unanswered where no two have lives.

    The reference is the class with the most failures. A ratio of B10 lives has its interval from trucks drawn again
    (``seed``; the same draw for every class and component); its p value is the log-rank test's, with trucks as the
    independent units. Where hardware, model year or axle ratio differ between two classes, the ratio with these held
    equal stands beside it, with its p value and that of the log-rank test among lives alike in them. ``level`` is that
    of every interval. ``fitted`` are curves already fitted to this history at this level (``Fits.plain``); classes that
    are not among them are fitted here. A factor that the lives do not have is refused (DataError).
    """
    lives = choose_lives(history, component=None, mode=None)
    if factor in lives and lives[factor].isna().all():
        missing, fix = "no part has been watched for any length of time", "Load more history."
        if len(lives):
            missing = f"the lives carry no {factor}"
            fix = f"Give the lives a column {factor}, or compare by another factor: --factor NAME."
        text = f"{missing}, so there are no classes to compare"
        return Unanswered(replace(history.basis, level=level), history.cautions, "no-classes", text, fix)
    choose_columns(history, lives, (factor,))
    known = _with_axle_ratio(history, lives[lives[factor].notna()])
    basis = replace(
        history.basis, level=level, lives=_count(known), failures=_count(known[known["failed"].to_numpy(dtype=bool)])
    )
    draws = _draw(observations(known), seed) if len(known) else np.zeros((0, 0))
    parts = []
    for component, rows in _by_component(known, observations(known)):
        progress(f"comparing {component or 'parts'}")
        parts.append(_compare_component(history, component, rows, fitted, factor=factor, basis=basis, draws=draws))
    classes = tuple(item for part in parts for item in part[0])
    contrasts = tuple(item for part in parts for item in part[1])
    cautions = add_cautions(
        history.cautions,
        _own_cautions(history, lives, known, factor, contrasts),
        _say_few(classes, contrasts, level),
        *(item.fit.cautions for item in classes),
    )
    if not contrasts:
        text = f"no component has lives in two classes of {factor}"
        return Unanswered(basis, cautions, "one-class", text, "compare by a factor that parts the fleet: --factor NAME")
    return Comparison(basis, cautions, factor, classes, contrasts)


def _with_axle_ratio(history: History, lives: pd.DataFrame) -> pd.DataFrame:
    """Return the lives with their truck's axle ratio, where it is on record."""
    if "axle_ratio" in lives or "axle_ratio" not in history.units:
        return lives
    ratio = history.units.drop_duplicates("unit_id").set_index("unit_id")["axle_ratio"]
    return lives.assign(axle_ratio=lives["unit_id"].map(ratio))


def _count(lives: pd.DataFrame) -> int:
    return round(float(lives["count"].sum()))


def _draw(obs: Observations, seed: int) -> FloatArray:
    """Return the shared draws of trucks; a row that stands for many like lives of no named truck is many trucks."""
    trucks = int(obs.truck.max()) + 1
    rows = np.bincount(obs.truck, minlength=trucks)
    copies = np.where(rows == 1, np.bincount(obs.truck, obs.count, trucks), 1.0)
    replicates = int(np.clip(DRAWS_AT_MOST // trucks, 200, REPLICATES))
    return draw_trucks(trucks, replicates=replicates, seed=seed, copies=copies)


@dataclass(frozen=True, slots=True)
class _Rows:
    """The lives of one component, as a table and as arrays."""

    table: pd.DataFrame
    obs: Observations


def _by_component(known: pd.DataFrame, obs: Observations) -> list[tuple[str | None, _Rows]]:
    names = known["component"].astype(object)
    found: list[str | None] = sorted(names.dropna().unique())
    if names.isna().any():
        found.append(None)
    parts = []
    for name in found:
        chosen = np.flatnonzero((names.isna() if name is None else names == name).to_numpy(dtype=bool))
        parts.append((name, _Rows(known.iloc[chosen], obs.take(chosen))))
    return parts


def _compare_component(
    history: History,
    component: str | None,
    rows: _Rows,
    fitted: tuple[Fit | Unfitted, ...],
    *,
    factor: str,
    basis: Basis,
    draws: FloatArray,
) -> tuple[list[ClassLife], list[Contrast]]:
    """Return the classes of one component, and each against its reference."""
    names = rows.table[factor].astype(str).to_numpy()
    levels = sorted(set(names))
    code = np.searchsorted(np.array(levels), names).astype(np.int64)
    until = _common_age(rows.obs, code, len(levels))
    cost = _cost_lives(history.config.costs, rows.table)
    classes = []
    for number, level in enumerate(levels):
        inside = np.flatnonzero(code == number)
        named = () if component is None else (("component", component),)
        stratum = (*named, (factor, level))
        obs = rows.obs.take(inside)
        known = [item for item in fitted if item.stratum == stratum and len(item.observations) == len(inside)]
        fit = known[0] if known else fit_stratum(obs, basis=basis, stratum=stratum, inherited=(), class_shape=None)
        costs = None if cost is None else cost[inside]
        classes.append(_describe(component, level, fit, obs, costs, until, draws))
    if len(levels) < 2:
        return classes, []
    resampled = resample_weibulls(rows.obs, code, strata=len(levels), truck_weights=draws)
    reference = _choose_reference(classes)
    contrasts = [
        _contrast(rows, code, classes, (number, reference), resampled, factor=factor)
        for number in range(len(levels))
        if number != reference
    ]
    return classes, contrasts


def _choose_reference(classes: list[ClassLife]) -> int:
    """Return the class with the most failures, of equals the first by name."""
    return max(range(len(classes)), key=lambda number: (classes[number].fit.failures, -number))


def _common_age(obs: Observations, code: IntArray, levels: int) -> float:
    """Return the age up to which at least five lives of every class are still watched (fewer where there are fewer)."""
    return min(float(np.sort(obs.exit[code == number])[-5:][0]) for number in range(levels))


def _describe(
    component: str | None,
    level: str,
    fit: Fit | Unfitted,
    obs: Observations,
    cost: FloatArray | None,
    until: float,
    draws: FloatArray,
) -> ClassLife:
    confidence = fit.basis.level
    span = (obs.exit - obs.entry) * obs.count
    rate = rate_failures(obs.count * obs.failed, span, obs.truck, level=confidence)
    mean = mean_life_until(obs, until, level=confidence)
    return ClassLife(
        component,
        level,
        fit,
        len(np.unique(obs.truck)),
        float(span.sum()),
        None if rate is None else Estimate(rate.value * 1e6, rate.low * 1e6, rate.high * 1e6),
        None if cost is None else _cost_per_1000(cost * obs.count, span, obs.truck, draws, confidence),
        None if mean is None else Estimate(mean.value, mean.low, mean.high),
        None if mean is None else mean.until,
    )


def _cost_lives(costs: Costs, table: pd.DataFrame) -> FloatArray | None:
    """Return what the end of each life cost, 0 where nothing was replaced; None where a part's cost is not known.

    A failure found at an inspection costs as a planned replacement does, one on the road as a failure does.
    """
    out = np.zeros(len(table))
    columns = zip(table["component"], table["duty_cycle"], table["ending"], table["found_at"], strict=True)
    for row, (component, duty_cycle, ending, found_at) in enumerate(columns):
        if ending not in REPLACED:
            continue
        part = costs.part(str(component), str(duty_cycle))
        if part is None:
            return None
        out[row] = part.failure if ending == "failure" and found_at != "inspection" else part.planned
    return out


def _cost_per_1000(
    cost: FloatArray, span: FloatArray, truck: IntArray, draws: FloatArray, level: float
) -> Estimate | None:
    if span.sum() <= 0:
        return None
    trucks, code = np.unique(truck, return_inverse=True)
    sums = np.column_stack([np.bincount(code, cost), np.bincount(code, span)])
    drawn = np.einsum("rt,tc->rc", draws[:, trucks], sums)
    value = 1e3 * float(cost.sum() / span.sum())
    ratios = 1e3 * drawn[:, 0] / np.where(drawn[:, 1] > 0, drawn[:, 1], np.inf)
    if value == 0.0 or len(trucks) < 2:
        return Estimate(value, None, None)
    low, high = np.quantile(ratios, [0.5 - 0.5 * level, 0.5 + 0.5 * level])
    return Estimate(value, min(float(low), value), max(float(high), value))


def _contrast(
    rows: _Rows,
    code: IntArray,
    classes: list[ClassLife],
    pair: tuple[int, int],
    resampled: WeibullFits,
    *,
    factor: str,
) -> Contrast:
    number, reference = pair
    both = np.flatnonzero((code == number) | (code == reference))
    obs, second = rows.obs.take(both), code[both] == number
    level = classes[number].fit.basis.level
    test = compare_groups(obs, second, np.zeros(len(both), dtype=np.int64))
    ratio, lacking = _ratio(classes[number].fit, classes[reference].fit, resampled, pair, level)
    others = find_differences(rows.table.iloc[both], second, factor=factor)
    held = _hold_equal(obs, second, others, classes[reference].fit, level) if others.names else None
    within = compare_groups(obs, second, others.stratum).p_value if others.names else None
    return Contrast(
        classes[number].component,
        classes[number].level,
        classes[reference].level,
        ratio,
        test.p_value,
        len(resampled.shape),
        lacking,
        None if held is None else Estimate(held.factor, held.low, held.high),
        None if held is None else held.p_value,
        within,
        others.names if held is not None or within is not None else (),
    )


def _hold_equal(
    obs: Observations, second: BoolArray, others: OtherDifferences, reference: Fit | Unfitted, level: float
) -> LifeFactor | None:
    """Return the ratio of lives with the other differences held equal; None where a class has too few failures."""
    if isinstance(reference, Unfitted) or min(obs.failed[second].sum(), obs.failed[~second].sum()) < ENOUGH_TO_ADJUST:
        return None
    return compare_lives(obs, np.column_stack([second, others.columns]), reference.curve, level=level)


def _ratio(
    fit: Fit | Unfitted, reference: Fit | Unfitted, resampled: WeibullFits, pair: tuple[int, int], level: float
) -> tuple[Estimate | None, int]:
    """Return the ratio of B10 lives with its interval over the draws, and in how many draws a class had no curve.

    A draw without a curve in either class widens both ends: it counts as 0 for the low one and as without end for the
    high one, and an end that falls among such draws is blank. A curve so flat that its B10 is too small for a number
    has no ratio.
    """
    if isinstance(fit, Unfitted) or isinstance(reference, Unfitted) or min(fit.b10.value, reference.b10.value) <= 0:
        return None, int((~resampled.converged[:, list(pair)].all(axis=1)).sum())
    lives, others = resampled.life_at(0.1)[:, list(pair)].T
    ratios = np.divide(lives, others, out=np.full(len(lives), np.nan), where=others > 0)
    lacking = ~np.isfinite(ratios)
    value = fit.b10.value / reference.b10.value
    tail = 0.5 * (1.0 - level)
    low = np.quantile(np.where(lacking, 0.0, ratios), tail, method="inverted_cdf")
    high = np.quantile(np.where(lacking, np.inf, ratios), 1.0 - tail, method="inverted_cdf")
    ends = (min(float(low), value) if low > 0 else None, max(float(high), value) if np.isfinite(high) else None)
    return Estimate(value, *ends), int(lacking.sum())


def _own_cautions(
    history: History, lives: pd.DataFrame, known: pd.DataFrame, factor: str, contrasts: tuple[Contrast, ...]
) -> tuple[Caution, ...]:
    cautions = []
    if len(lives) > len(known):
        text = f"{_count(lives) - _count(known):,} lives have no {factor} on record and are left out here."
        cautions.append(Caution("no-level", text))
    if not history.config.costs.parts and not history.config.costs.by_duty_cycle:
        text = "fleet.toml gives no part costs ([costs]): cost per 1,000 is blank."
        cautions.append(Caution("no-costs", text))
    if any(contrast.without_curve for contrast in contrasts):
        text = (
            "In some of the draws of trucks a class had too few failures for a curve; such draws widen the interval of "
            "its ratio, and an end that falls among them is blank."
        )
        cautions.append(Caution("draws-without-curve", text))
    if lives["unit_id"].isna().any():
        cautions.append(Caution("no-truck", "Lives without a truck's name: each row is taken as a truck of its own."))
    return tuple(cautions)


def _say_few(classes: tuple[ClassLife, ...], contrasts: tuple[Contrast, ...], level: float) -> tuple[Caution, ...]:
    """Return the caution that ratios with few failures in a class deserve."""
    failures = {(item.component, item.level): item.fit.failures for item in classes}
    few = [
        f"{contrast.component or 'parts'}, {contrast.level} against {contrast.reference}"
        for contrast in contrasts
        if contrast.b10_ratio is not None
        and min(failures[contrast.component, name] for name in (contrast.level, contrast.reference)) < FEW_FOR_RATIO
    ]
    if not few:
        return ()
    text = (
        f"{'; '.join(few)}: a class has fewer than {FEW_FOR_RATIO} failures, and the interval of its ratio of B10 "
        f"lives is wider than a {100 * level:.0f} % one need be. (In simulated fleets with five failures in the "
        "smaller class, 90 % intervals held the truth 98 % of the time.)"
    )
    return (Caution("few-failures-ratio", text),)


def _ends(name: str, estimate: Estimate | None) -> dict[str, float | None]:
    if estimate is None:
        return {name: np.nan, f"{name}_low": np.nan, f"{name}_high": np.nan}
    low = np.nan if estimate.low is None else estimate.low
    return {
        name: estimate.value,
        f"{name}_low": low,
        f"{name}_high": np.nan if estimate.high is None else estimate.high,
    }


def _row_of_class(item: ClassLife) -> dict[str, object]:
    fit = item.fit if isinstance(item.fit, Fit) else None
    return {
        "component": item.component,
        "level": item.level,
        "lives": item.fit.lives,
        "failures": item.fit.failures,
        "trucks": item.trucks,
        "exposure": item.exposure,
        **_ends("b10", None if fit is None else fit.b10),
        **_ends("beta", None if fit is None else fit.shape),
        **_ends("eta", None if fit is None else fit.eta),
        **_ends("rate_per_million", item.rate_per_million),
        **_ends("cost_per_1000", item.cost_per_1000),
        **_ends("restricted_mean", item.restricted_mean),
        "restricted_until": np.nan if item.restricted_until is None else item.restricted_until,
        "cautions": [caution.text for caution in item.fit.cautions],
    }


def _row_of_contrast(item: Contrast) -> dict[str, object]:
    return {
        "component": item.component,
        "level": item.level,
        "reference": item.reference,
        **_ends("b10_ratio", item.b10_ratio),
        "p_value": np.nan if item.p_value is None else item.p_value,
        **_ends("b10_ratio_adjusted", item.b10_ratio_adjusted),
        "p_value_adjusted": np.nan if item.p_value_adjusted is None else item.p_value_adjusted,
        "p_value_stratified": np.nan if item.p_value_stratified is None else item.p_value_stratified,
        "adjusted_for": list(item.adjusted_for),
        "held_equal": ", ".join(item.adjusted_for) or None,
        "replicates": item.replicates,
        "without_curve": item.without_curve,
    }

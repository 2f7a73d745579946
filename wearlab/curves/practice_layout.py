"""Episodes laid out for the fit of practice: which rows, which classes, which terms, and the best of the candidates."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.curves.practice_frailty import Maximum, Spans, Stretches, find_top, lay_out, maximise
from wearlab.curves.practice_known import Before, count_before, hold_known, list_before
from wearlab.curves.renewal import renewal_power

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

VARIED = 1.25  # 95th over 5th percentile of practised miles below which a class says nothing of practice
FEWEST_FAILURES = 5  # a class with fewer has no effect of its own
OWN_SHAPE_FAILURES = 20


def usable_rows(episodes: pd.DataFrame, component: str, *, assumed: bool, apart: tuple[str, ...] = ()) -> pd.DataFrame:
    """Return the component's stretches with known practice, in classes with a failure, life by life, in steps.

    Practice is known from the truck's own gaps; ``assumed`` lets in stretches for which the plan or the mean of shop
    and class stands (it hides just what sets the truck apart, and draws the effect toward zero). See ``hold_known`` for
    the steps; where the columns ``apart`` differ, stretches stay apart.
    """
    practised = episodes["practised_miles"].to_numpy(dtype=float)
    keep = (
        (episodes["component"] == component).to_numpy()
        & (episodes["hardware"] != "sealed").to_numpy()
        & np.isfinite(practised)
        & (practised > 0)
        & (episodes["exit"] > episodes["entry"]).to_numpy()
        & episodes["duty_cycle"].notna().to_numpy()
    )
    if "practice_source" in episodes and not assumed:
        keep &= (episodes["practice_source"] == "gaps").to_numpy()
    rows: pd.DataFrame = episodes[keep]
    failing = rows.groupby("duty_cycle")["failed"].transform("any").astype(bool)
    rows = rows[failing.to_numpy()]
    rows = rows.sort_values(["unit_id", "life_id", "entry"], kind="stable").reset_index(drop=True)
    return hold_known(rows, apart) if len(rows) else rows


def read_spans(rows: pd.DataFrame) -> Spans:
    """Return ages and endings of the rows as arrays."""
    return Spans(
        life=rows["life_id"].to_numpy(),
        entry=rows["entry"].to_numpy(dtype=float),
        exit=rows["exit"].to_numpy(dtype=float),
        failed=rows["failed"].to_numpy(dtype=bool),
        lower=rows["lower"].to_numpy(dtype=float),
        upper=rows["upper"].to_numpy(dtype=float),
    )


@dataclass(frozen=True, slots=True)
class Layout:
    """The classes of the fit, each row's centred ln practice, its truck and step, and what was borne before a step."""

    classes: tuple[str, ...]
    code: Ints
    practice: Floats
    centre: Floats  # ln reference miles by class
    failures: Ints  # by class
    varied: tuple[bool, ...]
    truck: Ints
    step: Ints
    before: Before
    renewed: Floats  # how far the truck had run when the part of a stretch was fitted; NaN for its first part
    further: tuple[str, ...]  # other terms known at the start of a stretch
    columns: Floats  # (rows, further), each about its class's mean


def lay_classes(
    rows: pd.DataFrame,
    calibration: Mapping[str, float],
    renewed: Mapping[int, float],
    further: tuple[str, ...] = (),
) -> Layout:
    """Return the classes, each row's ln practice about its class's mean, and which classes varied.

    ``further`` names columns of numbers that are terms of their own.
    """
    classes = tuple(sorted(rows["duty_cycle"].unique()))
    code = pd.Categorical(rows["duty_cycle"], categories=list(classes)).codes.astype(np.int64)
    practice = np.log(rows["practised_miles"].to_numpy(dtype=float))
    length = (rows["exit"] - rows["entry"]).to_numpy(dtype=float)
    count = len(classes)
    centre = np.bincount(code, length * practice, count) / np.bincount(code, length, count)
    factor = np.array([calibration.get(name, 1.0) for name in classes])
    failed = rows["failed"].to_numpy(dtype=bool)
    failures = np.bincount(code[failed], minlength=count)
    varied = tuple(
        bool(failures[c] >= FEWEST_FAILURES and range_ratio(practice[code == c], length[code == c]) >= VARIED)
        for c in range(count)
    )
    truck = pd.factorize(rows["unit_id"])[0].astype(np.int64)
    return Layout(
        classes=classes,
        code=code,
        practice=(practice - centre[code]) * factor[code],
        centre=centre,
        failures=failures,
        varied=varied,
        truck=truck,
        step=rows["step"].to_numpy(),
        before=list_before(rows, truck),
        renewed=np.array([renewed.get(life, np.nan) for life in rows["life_id"].tolist()], dtype=float),
        further=further,
        columns=_centred(rows[list(further)].to_numpy(dtype=float), code, length, count),
    )


def _centred(columns: Floats, code: Ints, length: Floats, count: int) -> Floats:
    """Return the columns less their class's mean over exposure."""
    total = np.bincount(code, length, count)
    means = [np.bincount(code, length * column, count) / total for column in columns.T]
    return np.column_stack([c - m[code] for c, m in zip(columns.T, means, strict=True)]) if means else columns


def range_ratio(logs: Floats, weight: Floats) -> float:
    """Return the 95th over the 5th weighted percentile of values given as logarithms."""
    low, high = weighted_quantiles(logs, weight, (0.05, 0.95))
    return float(np.exp(high - low))


def weighted_quantiles(values: Floats, weight: Floats, shares: tuple[float, ...]) -> Floats:
    """Return quantiles of weighted values (the least value at which the running weight reaches the share)."""
    order = np.argsort(values, kind="stable")
    running = np.cumsum(weight[order])
    places = np.searchsorted(running, np.array(shares) * running[-1], side="left")
    return np.asarray(values[order][np.minimum(places, len(values) - 1)], dtype=float)


@dataclass(frozen=True, slots=True)
class Terms:
    """Where each class's effect and shape stand among the parameters."""

    layout: Layout
    theta_at: tuple[int | None, ...]
    shape_at: tuple[int, ...]

    @property
    def further_at(self) -> int:
        """Return the place of the first further term."""
        return len(self.layout.classes) + sum(at is not None for at in self.theta_at)

    def stretches(self, rows: pd.DataFrame, curves: Mapping[str, tuple[float, float]]) -> Stretches:
        """Return the rows laid out for the likelihood with these terms; ``curves`` as for ``renewals_by_truck``."""
        layout = self.layout
        spans = read_spans(rows)
        shape_of = np.array(self.shape_at)[layout.code]
        return lay_out(
            design=self._design(layout.practice),
            shape_of=shape_of,
            truck=layout.step,
            spans=spans,
            before=layout.before,
            renewed=tell_before(rows, layout, spans, curves),
        )

    def _design(self, practice: Floats) -> Floats:
        layout = self.layout
        width = self.further_at
        design = np.zeros((len(practice), width + len(layout.further)))
        design[:, width:] = layout.columns
        design[np.arange(len(practice)), layout.code] = 1.0
        for c, at in enumerate(self.theta_at):
            if at is not None:
                mine = layout.code == c
                design[mine, at] = practice[mine]
        return design


def tell_before(rows: pd.DataFrame, layout: Layout, spans: Spans, curves: Mapping[str, tuple[float, float]]) -> Floats:
    """Return by step what was seen of the truck before tells of its frailty, as a power of z."""
    return count_before(rows, layout.truck, tell_renewals(layout, spans, curves))


def tell_renewals(layout: Layout, spans: Spans, curves: Mapping[str, tuple[float, float]]) -> Floats:
    """Return by stretch what a renewal before it tells of its truck's frailty, as a power of z.

    A part that enters late, and was not on the truck when it was new, tells of a renewal before it entered; the renewal
    density goes with a power of z (``renewal_power``). ``curves`` is (β, η) by class; a class without one gives each
    renewal half a power.
    """
    starts = np.ones(len(spans.life), dtype=bool)
    starts[1:] = spans.life[1:] != spans.life[:-1]
    tells = np.flatnonzero(starts & (spans.entry > 0) & np.isfinite(layout.renewed))
    power = np.full(len(tells), 0.5)
    for c, name in enumerate(layout.classes):
        mine = layout.code[tells] == c
        if name in curves and mine.any():
            shape, eta = curves[name]
            power[mine] = renewal_power(shape, layout.renewed[tells[mine]] / eta)
    by_row = np.zeros(len(spans.life))
    by_row[tells] = power
    return by_row


def place_terms(layout: Layout, has_effect: tuple[bool, ...], own_shapes: bool) -> Terms:
    """Return the places of the terms: class levels first, then effects; shapes common or each rich class's own."""
    theta_at: list[int | None] = []
    place = len(layout.classes)
    for has in has_effect:
        theta_at.append(place if has else None)
        place += has
    rich = [own_shapes and failures >= OWN_SHAPE_FAILURES for failures in layout.failures]
    shape_at, used = [], 0 if all(rich) else 1
    for own in rich:
        shape_at.append(used if own else 0)
        used += own
    return Terms(layout, tuple(theta_at), tuple(shape_at))


def fit_best(rows: pd.DataFrame, layout: Layout) -> tuple[Terms, Maximum] | None:
    """Return the fit with common or own shapes, whichever Akaike's criterion prefers.

    Where effects have no maximum they are given up one class at a time, the one with the fewest failures first.
    """
    has = layout.varied
    while True:
        terms = place_terms(layout, has, own_shapes=False)
        common = _maximise(terms, rows)
        if common is not None or not any(has):
            break
        weakest = min((c for c in range(len(has)) if has[c]), key=lambda c: layout.failures[c])
        has = tuple(value and c != weakest for c, value in enumerate(has))
    if common is None:
        return None
    rich = sum(failures >= OWN_SHAPE_FAILURES for failures in layout.failures)
    if rich < 2:
        return terms, common
    own_terms = place_terms(layout, has, own_shapes=True)
    start = np.concatenate([common.coefficients, np.repeat(common.log_shapes, max(own_terms.shape_at) + 1)])
    start = np.append(start, common.parameters[-1])
    own = maximise(own_terms.stretches(rows, _curves(terms, common.parameters, common.stretches.scale)), start=start)
    if own is not None and own.log_likelihood - common.log_likelihood > max(own_terms.shape_at):
        return own_terms, own
    return terms, common


def _maximise(terms: Terms, rows: pd.DataFrame) -> Maximum | None:
    """Return the maximum, what renewals before the record tell set from the curves of a first pass."""
    data = terms.stretches(rows, {})
    if not np.isfinite(terms.layout.renewed).any():
        return maximise(data)
    first = find_top(data)
    if first is None:
        return None
    return maximise(terms.stretches(rows, _curves(terms, first, data.scale)), start=first)


def _curves(terms: Terms, parameters: Floats, scale: float) -> dict[str, tuple[float, float]]:
    """Return (β, η) by class."""
    layout = terms.layout
    shapes = np.exp(parameters[terms.further_at + len(layout.further) : -1])
    return {
        name: (float(shapes[at]), scale * float(np.exp(-parameters[c] / shapes[at])))
        for c, (name, at) in enumerate(zip(layout.classes, terms.shape_at, strict=True))
    }


def practised_range(log_practice: Floats, expected: Floats, truck: Ints) -> tuple[float, float]:
    """Return the ends of the range of practice that the data can speak of, on the log scale.

    The 5th and 95th percentile weighted by expected failures, each drawn inward until five trucks and five expected
    failures lie at or beyond it; both at the median where there are too few.
    """
    low, middle, high = weighted_quantiles(log_practice, expected, (0.05, 0.5, 0.95))
    return (
        float(min(max(low, _supported(log_practice, expected, truck)), middle)),
        float(max(min(high, -_supported(-log_practice, expected, truck)), middle)),
    )


def _supported(values: Floats, expected: Floats, truck: Ints) -> float:
    order = np.argsort(values, kind="stable")
    new = np.zeros(len(values), dtype=bool)
    new[np.unique(truck[order], return_index=True)[1]] = True
    enough = (np.cumsum(new) >= 5) & (np.cumsum(expected[order]) >= 5)
    return float(values[order][int(np.argmax(enough))]) if enough.any() else float("inf")

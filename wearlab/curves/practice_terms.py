"""One effect common to all classes, seen in other ways: split, with further terms, or as exposure gathered."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, stats

from wearlab.curves.practice_frailty import Maximum, Spans, find_top, lay_out, log_likelihood, maximise
from wearlab.curves.practice_layout import Layout, lay_classes, read_spans, renewals_by_truck, usable_rows

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Term:
    """One coefficient of the log hazard with its limits; ``failures`` and ``trucks`` stand behind the fit."""

    name: str
    value: float
    low: float
    high: float
    failures: int
    trucks: int


@dataclass(frozen=True, slots=True)
class Prepared:
    """A component's stretches and classes, ready for fits with one effect common to all classes."""

    rows: pd.DataFrame
    layout: Layout
    curves: Mapping[str, tuple[float, float]]  # (β, η) by class, for what renewals before the record tell of a truck


def prepare(
    episodes: pd.DataFrame,
    component: str,
    *,
    curves: Mapping[str, tuple[float, float]],
    calibration: Mapping[str, float],
    renewed: Mapping[int, float],
    assumed: bool,
) -> Prepared | None:
    """Return the component's stretches laid out by class, or None where none failed."""
    rows = usable_rows(episodes, component, assumed=assumed)
    if not len(rows) or not rows["failed"].any():
        return None
    return Prepared(rows, lay_classes(rows, calibration, renewed), curves)


def fit_terms(
    data: Prepared,
    terms: Mapping[str, Floats],
    *,
    level: float,
    before: Mapping[str, Floats] | None = None,
    frailty: bool = True,
) -> tuple[Term, ...]:
    """Return the coefficients of the terms in one fit: a level per class, a common shape, truck frailty.

    ``before`` gives the terms their values for the time before the record where these differ. Empty where the
    likelihood has no maximum.
    """
    names = list(terms)
    found = _fit(data, [terms[name] for name in names], [(before or terms).get(name, terms[name]) for name in names],
                 read_spans(data.rows), frailty)  # fmt: skip
    if found is None:
        return ()
    classes = len(data.layout.classes)
    reach = float(stats.norm.ppf(0.5 + level / 2)) * np.sqrt(np.diag(found.covariance))[classes : classes + len(names)]
    values = found.coefficients[classes:]
    counts = int(data.rows["failed"].sum()), int(data.rows["unit_id"].nunique())
    return tuple(
        Term(name, float(value), float(value - r), float(value + r), *counts)
        for name, value, r in zip(names, values, reach, strict=True)
    )


def _fit(data: Prepared, columns: list[Floats], before: list[Floats], spans: Spans, frailty: bool) -> Maximum | None:
    classes = np.eye(len(data.layout.classes))[data.layout.code]
    stretches = lay_out(
        design=np.column_stack([classes, *columns]),
        design_before=np.column_stack([classes, *before]),
        shape_of=np.zeros(len(data.rows), dtype=np.int64),
        truck=data.layout.truck,
        spans=spans,
        renewed=renewals_by_truck(data.layout, spans, data.curves),
    )
    return maximise(stretches, frailty=frailty)


def split_by(data: Prepared, group: npt.NDArray[np.object_], only: Bools | None = None) -> tuple[Floats, Floats]:
    """Return ln practice within groups and between them, by class; rows outside ``only`` count as between."""
    u = data.layout.practice
    key = pd.factorize(pd.Series(group).astype(str) + "|" + pd.Series(data.layout.code).astype(str))[0]
    length = (data.rows["exit"] - data.rows["entry"]).to_numpy(dtype=float)
    mean = np.bincount(key, length * u) / np.bincount(key, length)
    within = u - mean[key]
    if only is not None:
        within = np.where(only, within, 0.0)
    return within, u - within


def changed_trucks(data: Prepared, ratio: float) -> Bools:
    """Return the stretches of trucks whose practice ranged over at least this ratio in one class."""
    u = data.layout.practice
    key = data.layout.truck * len(data.layout.classes) + data.layout.code
    high, low = np.full(int(key.max()) + 1, -np.inf), np.full(int(key.max()) + 1, np.inf)
    np.maximum.at(high, key, u)
    np.minimum.at(low, key, u)
    return np.asarray((high - low)[key] >= np.log(ratio))


def without_inspection(data: Prepared) -> Prepared:
    """Return the stretches with failures found at inspection read as suspensions when last known good."""
    rows = data.rows.copy()
    found = rows["failed"].to_numpy(dtype=bool) & np.isfinite(rows["lower"].to_numpy(dtype=float))
    rows.loc[found, "exit"] = np.maximum(rows.loc[found, "lower"], rows.loc[found, "entry"])
    rows["failed"] = rows["failed"].to_numpy(dtype=bool) & ~found
    rows[["lower", "upper"]] = np.nan
    return select_rows(replace(data, rows=rows), (rows["exit"] > rows["entry"]).to_numpy())


def select_rows(data: Prepared, keep: Bools) -> Prepared:
    """Return the stretches that are kept, classes and centring unchanged."""
    layout = data.layout
    short = replace(
        layout,
        code=layout.code[keep],
        practice=layout.practice[keep],
        before=layout.before[keep],
        truck=pd.factorize(layout.truck[keep])[0].astype(np.int64),
        renewed=layout.renewed[keep],
    )
    return replace(data, rows=data.rows[keep].reset_index(drop=True), layout=short)


def fit_gathered(data: Prepared, *, level: float) -> Term | None:
    """Return the effect when life is spent in proportion to exposure: H = (∫ (x(s)/x_ref)^(θ/β) ds / η)^β.

    Against the main fit, what a part has borne counts for good (a cumulative-exposure model: Nelson, *Accelerated
    Testing*, 1990, chapter 10). θ/β is profiled; limits from the curvature of the profile.
    """
    cache: dict[float, tuple[float, float]] = {}

    def loss(gamma: float) -> float:
        if gamma not in cache:
            cache[gamma] = _gathered(data, gamma)
        return -cache[gamma][0]

    found = optimize.minimize_scalar(loss, bounds=(-2.0, 2.0), method="bounded", options={"xatol": 1e-3, "maxiter": 20})
    gamma = float(found.x)
    step = 0.1
    bend = (loss(gamma + step) - 2 * loss(gamma) + loss(gamma - step)) / step**2
    if not np.isfinite(found.fun) or not bend > 1e-6 or abs(gamma) > 1.9:
        return None
    shape = cache[gamma][1]
    reach = float(stats.norm.ppf(0.5 + level / 2)) / np.sqrt(bend) * shape
    theta = gamma * shape
    counts = int(data.rows["failed"].sum()), int(data.rows["unit_id"].nunique())
    return Term("cumulative exposure", theta, theta - reach, theta + reach, *counts)


def _gathered(data: Prepared, gamma: float) -> tuple[float, float]:
    """Return the profile log-likelihood at one θ/β and the shape there."""
    spans = read_spans(data.rows)
    speed = np.exp(gamma * data.layout.practice)
    starts = np.ones(len(speed), dtype=bool)
    starts[1:] = spans.life[1:] != spans.life[:-1]
    borne = spans.entry * np.exp(gamma * data.layout.before)  # before the record, at the practice first known
    grown = np.cumsum(speed * (spans.exit - spans.entry))
    group = np.cumsum(starts) - 1
    base = (borne - np.concatenate([[0.0], grown[:-1]]))[starts][group]
    entry = base + np.concatenate([[0.0], grown[:-1]])
    leave = base + grown
    lower = entry + speed * (np.maximum(spans.lower, spans.entry) - spans.entry)
    upper = entry + speed * (spans.upper - spans.entry)
    moved = Spans(spans.life, np.where(entry > 1e-9, entry, 0.0), leave, spans.failed, lower, upper)
    classes = np.eye(len(data.layout.classes))[data.layout.code]
    stretches = lay_out(
        design=classes,
        shape_of=np.zeros(len(speed), dtype=np.int64),
        truck=data.layout.truck,
        spans=moved,
        renewed=renewals_by_truck(data.layout, spans, data.curves),
    )
    top = find_top(stretches)
    if top is None:
        return -np.inf, 1.0
    exact = stretches.failed
    return log_likelihood(stretches, top)[0] + gamma * float(data.layout.practice[exact].sum()), float(np.exp(top[-2]))

"""One effect common to all classes, seen in other ways: split, with further terms, or as exposure gathered."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, stats

from wearlab.curves.practice_frailty import Maximum, Spans, find_top, lay_out, log_likelihood, maximise
from wearlab.curves.practice_known import Before, list_before
from wearlab.curves.practice_layout import Layout, lay_classes, read_spans, tell_before, tell_renewals, usable_rows

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]


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
    further: tuple[str, ...] = (),
) -> Prepared | None:
    """Return the component's stretches laid out by class, or None where none failed.

    ``further`` names columns of numbers that every fit has as terms of their own.
    """
    rows = usable_rows(episodes, component, assumed=assumed, apart=further)
    if not len(rows) or not rows["failed"].any():
        return None
    return Prepared(rows, lay_classes(rows, calibration, renewed, further), curves)


def fit_terms(
    data: Prepared,
    terms: Mapping[str, Floats],
    *,
    level: float,
    before: Mapping[str, Floats] | None = None,
    frailty: bool = True,
) -> tuple[Term, ...]:
    """Return the coefficients of the terms in one fit: a level per class, a common shape, truck frailty.

    ``before`` gives terms their values for what was borne before each step (one per item of the layout's ``before``)
    where these are not those of the row that stands for it. Empty where the likelihood has no maximum.
    """
    names, row = list(terms), data.layout.before.row
    earlier = [(before or {}).get(name, terms[name][row]) for name in names]
    found = _fit(data, [terms[name] for name in names], earlier, read_spans(data.rows), frailty)
    if found is None:
        return ()
    classes = len(data.layout.classes)
    reach = float(stats.norm.ppf(0.5 + level / 2)) * np.sqrt(np.diag(found.covariance))[classes : classes + len(names)]
    values = found.coefficients[classes : classes + len(names)]
    counts = int(data.rows["failed"].sum()), int(data.rows["unit_id"].nunique())
    return tuple(
        Term(name, float(value), float(value - r), float(value + r), *counts)
        for name, value, r in zip(names, values, reach, strict=True)
    )


def _fit(data: Prepared, columns: list[Floats], before: list[Floats], spans: Spans, frailty: bool) -> Maximum | None:
    layout = data.layout
    classes, row = np.eye(len(layout.classes))[layout.code], layout.before.row
    stretches = lay_out(
        design=np.column_stack([classes, *columns, layout.columns]),
        design_before=np.column_stack([classes[row], *before, layout.columns[row]]),
        shape_of=np.zeros(len(data.rows), dtype=np.int64),
        truck=layout.step,
        spans=spans,
        before=layout.before,
        renewed=tell_before(data.rows, layout, spans, data.curves),
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


def by_phase(data: Prepared) -> Prepared:
    """Return the stretches with practice as last known in each phase: only a clear change of practice moves it."""
    return replace(data, layout=replace(data.layout, practice=_last_of_phase(data)))


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
    layout, rows = data.layout, data.rows[keep].reset_index(drop=True)
    truck = pd.factorize(layout.truck[keep])[0].astype(np.int64)
    rows["step"] = np.unique(rows["step"], return_inverse=True)[1]
    short = replace(
        layout,
        code=layout.code[keep],
        practice=layout.practice[keep],
        truck=truck,
        step=rows["step"].to_numpy(),
        before=list_before(rows, truck),
        renewed=layout.renewed[keep],
        columns=layout.columns[keep],
    )
    return replace(data, rows=rows, layout=short)


AGE_BAND = 0.25  # width of a band of age, natural logarithm


def fit_with_age(data: Prepared, *, level: float) -> tuple[Term, ...]:
    """Return the effect at the class's mean age, and how it changes per unit of ln age: 0 for proportional hazards.

    Stretches are cut at fixed ages and take their band's middle: the middle of the stretch itself would depend on when
    it failed.
    """
    first, parent, bands, cut = _cut_by_age(data.rows)
    layout = data.layout
    band_of_item, item = _bands(layout.before.start, layout.before.end)
    edges = (band_of_item * AGE_BAND, (band_of_item + 1) * AGE_BAND)
    before = Before(
        first[layout.before.row[item]],
        layout.before.step[item],
        np.maximum(layout.before.start[item], np.where(_opens(item), 0.0, np.exp(edges[0]))),
        np.minimum(layout.before.end[item], np.exp(edges[1])),
    )
    short = replace(
        layout,
        code=layout.code[parent],
        practice=layout.practice[parent],
        truck=layout.truck[parent],
        step=layout.step[parent],
        before=before,
        renewed=layout.renewed[parent],
        columns=layout.columns[parent],
    )
    age, length = (bands + 0.5) * AGE_BAND, (cut["exit"] - cut["entry"]).to_numpy(dtype=float)
    middle = (np.bincount(short.code, length * age) / np.bincount(short.code, length))[short.code]
    name = "change of effect with age"
    aged = (band_of_item + 0.5) * AGE_BAND - middle[before.row]
    return fit_terms(
        replace(data, rows=cut, layout=short),
        {"effect": short.practice, name: short.practice * (age - middle)},
        level=level,
        before={name: short.practice[before.row] * aged},
    )


def _cut_by_age(rows: pd.DataFrame) -> tuple[Ints, Ints, Ints, pd.DataFrame]:
    """Return each row's first piece, each piece's row and band of age, and the pieces."""
    entry, leave = rows["entry"].to_numpy(dtype=float), rows["exit"].to_numpy(dtype=float)
    lower = rows["lower"].to_numpy(dtype=float)
    until = np.where(np.isfinite(lower), np.clip(lower, entry, leave), leave)  # what was found later stays whole
    whole = until <= entry
    bands, parent = _bands(np.where(whole, leave, entry), np.where(whole, leave, until))
    opens = _opens(parent)
    closes = np.append(opens[1:], True)
    cut = rows.iloc[parent].reset_index(drop=True)
    cut["entry"] = np.where(opens, entry[parent], np.exp(bands * AGE_BAND))
    cut["exit"] = np.where(closes, leave[parent], np.exp((bands + 1) * AGE_BAND))
    cut["failed"] &= closes
    cut.loc[~closes, ["lower", "upper"]] = np.nan
    return np.flatnonzero(opens), parent, bands, cut


def _bands(start: Floats, end: Floats) -> tuple[Ints, Ints]:
    """Return the bands of age from ``start`` to ``end``, and of which span each is.

    Ages below a fifth of the end of a span share a band.
    """
    low = np.floor(np.log(np.maximum(start, end / 5)) / AGE_BAND).astype(np.int64)
    high = np.maximum(np.ceil(np.log(end) / AGE_BAND - 1e-9).astype(np.int64) - 1, low)
    many = high - low + 1
    span = np.repeat(np.arange(len(start)), many)
    return low[span] + np.arange(len(span)) - np.repeat(np.cumsum(many) - many, many), span


def _opens(span: Ints) -> Bools:
    opens = np.ones(len(span), dtype=bool)
    opens[1:] = span[1:] != span[:-1]
    return opens


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
    spans, layout = read_spans(data.rows), data.layout
    practice = _last_of_phase(data)
    speed = np.exp(gamma * practice)
    starts = np.ones(len(speed), dtype=bool)
    starts[1:] = spans.life[1:] != spans.life[:-1]
    borne = spans.entry * speed  # before the part came into view
    grown = np.cumsum(speed * (spans.exit - spans.entry))
    group = np.cumsum(starts) - 1
    base = (borne - np.concatenate([[0.0], grown[:-1]]))[starts][group]
    entry = base + np.concatenate([[0.0], grown[:-1]])
    leave = base + grown
    lower = entry + speed * (np.maximum(spans.lower, spans.entry) - spans.entry)
    upper = entry + speed * (spans.upper - spans.entry)
    moved = Spans(spans.life, np.where(entry > 1e-9, entry, 0.0), leave, spans.failed, lower, upper)
    classes = np.eye(len(layout.classes))[layout.code]
    stretches = lay_out(
        design=np.column_stack([classes, layout.columns]),
        shape_of=np.zeros(len(speed), dtype=np.int64),
        truck=layout.truck,
        spans=moved,
        renewed=np.bincount(layout.truck, tell_renewals(layout, spans, data.curves)).astype(float),
    )
    top = find_top(stretches)
    if top is None:
        return -np.inf, 1.0
    exact = stretches.failed
    return log_likelihood(stretches, top)[0] + gamma * float(practice[exact].sum()), float(np.exp(top[-2]))


def _last_of_phase(data: Prepared) -> Floats:
    """Return ln practice of each row as last known in its phase, so that chance moves of it are no exposure."""
    step, phase = data.rows["step"].to_numpy(), data.rows["phase"].to_numpy()
    last = np.zeros(int(phase.max()) + 1, dtype=np.int64)
    np.maximum.at(last, phase, step)
    row = np.zeros(int(step.max()) + 1, dtype=np.int64)
    row[step] = np.arange(len(step))
    return np.asarray(data.layout.practice[row[last[phase]]], dtype=float)

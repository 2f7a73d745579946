"""The effect of practice seen in other ways, and how strong a hidden cause would have to be to explain it away."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.answers.intervals_effects import find_renewed
from wearlab.curves.practice import FEWEST, PracticeFit
from wearlab.curves.practice_terms import (
    Prepared,
    Term,
    changed_trucks,
    fit_gathered,
    fit_terms,
    prepare,
    split_by,
    without_inspection,
)
from wearlab.history.lives import History

Floats = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]

CHANGED = 1.3  # practice that ranged this much on one truck has changed
CHECK_COLUMNS = ["component", "check", "theta", "theta_low", "theta_high", "failures", "trucks", "reads"]
TERM_COLUMNS = ["component", "term", "hazard_ratio", "hazard_ratio_low", "hazard_ratio_high", "failures", "reads"]


def tabulate_checks(
    history: History,
    fits: dict[str, PracticeFit],
    calibration: dict[str, float],
    *,
    control: PracticeFit | None,
    level: float,
) -> pd.DataFrame:
    """Return the ``sensitivity`` table: one effect for all classes, seen in other ways, by component."""
    rows = [row for fit in fits.values() for row in _check(history, fit, calibration, level)]
    bearing = _control(history, control, level)
    return pd.DataFrame([*rows, *bearing], columns=CHECK_COLUMNS)


def curves_of(fit: PracticeFit) -> dict[str, tuple[float, float]]:
    """Return (β, η) by class."""
    return {effect.duty_cycle: (effect.shape, effect.eta) for effect in fit.effects}


def _check(history: History, fit: PracticeFit, calibration: dict[str, float], level: float) -> list[dict[str, object]]:
    data = _prepare(history, fit.component, curves_of(fit), calibration, assumed=False)
    if data is None:
        return []
    u, before = data.layout.practice, data.layout.before
    rows: list[dict[str, object]] = []

    def add(terms: tuple[Term, ...], reads: dict[str, str]) -> None:
        rows.extend(_row(fit.component, term, reads[term.name]) for term in terms if term.name in reads)

    def one(name: str, sample: Prepared | None, reads: str, *, frailty: bool = True) -> None:
        if sample is not None:
            terms = fit_terms(
                sample,
                {name: sample.layout.practice},
                level=level,
                before={name: sample.layout.before},
                frailty=frailty,
            )
            add(terms, {name: reads})

    one("all classes", data, "one effect for all classes")
    add(*_split(data, data.rows["shop"].to_numpy(dtype=object), "shops", before, level))
    add(*_split_trucks(data, before, level))
    one("inspection finds as suspensions", without_inspection(data), "failures on the road only")
    assumed = _prepare(history, fit.component, curves_of(fit), calibration, assumed=True)
    one("assumed practice let in", assumed, "also stretches for which the plan or a mean stands")
    plain = _prepare(history, fit.component, curves_of(fit), {}, assumed=False)
    one("gaps as recorded", plain, "without the correction for noisy gaps")
    unknown = _unknown_as_failures(history)
    if unknown is not None:
        more = _prepare(unknown, fit.component, curves_of(fit), calibration, assumed=False)
        one("unknown endings as failures", more, "every replacement without a known reason read as a failure")
    one("no spread between trucks", data, "plain fit; too narrow where trucks differ", frailty=False)
    gathered = fit_gathered(data, level=level)
    if gathered is not None:
        add((gathered,), {gathered.name: "what a part has borne counts for good"})
    add(*_proportional(data, u, before, level))
    return rows


def _row(component: str, term: Term, reads: str) -> dict[str, object]:
    return {
        "component": component,
        "check": term.name,
        "theta": term.value,
        "theta_low": term.low,
        "theta_high": term.high,
        "failures": term.failures,
        "trucks": term.trucks,
        "reads": reads,
    }


def _prepare(
    history: History,
    component: str,
    curves: dict[str, tuple[float, float]],
    calibration: dict[str, float],
    *,
    assumed: bool,
) -> Prepared | None:
    return prepare(
        history.episodes,
        component,
        curves=curves,
        calibration=calibration,
        renewed=find_renewed(history),
        assumed=assumed,
    )


_Reads = tuple[tuple[Term, ...], dict[str, str]]


def _split(data: Prepared, group: Words, name: str, before: Floats, level: float) -> _Reads:
    inside, between = f"within {name}", f"between {name}"
    if len(set(group.tolist())) < 3:
        return (), {}
    within, mean = split_by(data, group)
    if within.std() < 0.02 or mean.std() < 0.02:
        return (), {}
    terms = fit_terms(data, {inside: within, between: mean}, level=level, before={inside: before - mean, between: mean})
    return terms, {inside: f"trucks of the same {name[:-1]} compared", between: f"means of {name} compared"}


def _split_trucks(data: Prepared, before: Floats, level: float) -> _Reads:
    changed = changed_trucks(data, CHANGED)
    inside, between = "within trucks that changed", "between trucks"
    if len(np.unique(data.layout.truck[changed])) < 5:
        return (), {}
    within, mean = split_by(data, data.rows["unit_id"].to_numpy(dtype=object), changed)
    terms = fit_terms(
        data,
        {inside: within, between: mean},
        level=level,
        before={inside: np.where(changed, before - mean, 0.0), between: mean},
    )
    reads = "a truck compared with itself before and after its practice changed"
    return terms, {inside: reads, between: "trucks compared by their mean practice"}


def _proportional(data: Prepared, u: Floats, before: Floats, level: float) -> _Reads:
    """Return how the effect changes per unit of ln age: 0 where the hazards are proportional."""
    age = np.log((data.rows["entry"] + data.rows["exit"]).to_numpy(dtype=float) / 2)
    age -= np.average(age, weights=(data.rows["exit"] - data.rows["entry"]).to_numpy(dtype=float))
    name = "change of effect with age"
    terms = fit_terms(data, {"effect": u, name: u * age}, level=level, before={"effect": before, name: before * age})
    return terms, {name: "0 where the effect is the same at every age (per unit of ln age)"}


def _unknown_as_failures(history: History) -> History | None:
    unknown = set(history.lives.loc[history.lives["ending"] == "unknown", "life_id"])
    if not unknown:
        return None
    episodes = history.episodes
    last = ~episodes["life_id"].duplicated(keep="last")
    read = episodes["failed"].to_numpy(dtype=bool) | (last & episodes["life_id"].isin(unknown)).to_numpy()
    return replace(history, episodes=episodes.assign(failed=read))


def _control(history: History, control: PracticeFit | None, level: float) -> list[dict[str, object]]:
    """Return the negative control: the centre bearing is not greased, so its effect should be 0."""
    data = _prepare(history, "center_bearing", {} if control is None else curves_of(control), {}, assumed=False)
    if data is None or data.rows["failed"].sum() < FEWEST:
        return []
    name = "negative control"
    terms = fit_terms(data, {name: data.layout.practice}, level=level, before={name: data.layout.before})
    return [_row("center_bearing", term, "the bearing is not greased: its effect should be 0") for term in terms]


def agrees_within(checks: pd.DataFrame, component: str) -> bool:
    """Return whether the effect has one sign overall, within shops and within trucks, where these can be estimated.

    They can where the limits lie within 1 of the value: wider, and the sign is a coin toss.
    """
    names = ("all classes", "within shops", "within trucks that changed")
    mine = checks[(checks["component"] == component) & checks["check"].isin(names)]
    known = mine[(mine["theta_high"] - mine["theta_low"]).astype(float) <= 2.0]
    return len(set((known["theta"].astype(float) > 0).tolist())) <= 1


def shift_of(checks: pd.DataFrame, check: str) -> dict[str, float]:
    """Return by component how far a check's effect lies from the common one; empty where it was not estimated."""
    wide = checks.pivot_table(index="component", columns="check", values="theta", aggfunc="first")
    if check not in wide or "all classes" not in wide:
        return {}
    return {str(name): float(value) for name, value in (wide[check] - wide["all classes"]).dropna().items()}


def tabulate_terms(
    history: History, fits: dict[str, PracticeFit], calibration: dict[str, float], *, level: float
) -> pd.DataFrame:
    """Return the ``terms`` table: what else goes with failure once practice and class are accounted for."""
    rows = []
    for fit in fits.values():
        data = _prepare(history, fit.component, curves_of(fit), calibration, assumed=False)
        if data is None:
            continue
        extras = _extras(history, data)
        extra = {name: column for name, (column, _) in extras.items()}
        reads = {name: text for name, (_, text) in extras.items()}
        if not extra:
            continue
        base = {"practice": data.layout.practice}
        found = fit_terms(data, base | extra, level=level, before={"practice": data.layout.before} | extra)
        rows += [_term_row(fit.component, term, reads[term.name]) for term in found if term.name in reads]
    return pd.DataFrame(rows, columns=TERM_COLUMNS)


def _term_row(component: str, term: Term, reads: str) -> dict[str, object]:
    return {
        "component": component,
        "term": term.name,
        "hazard_ratio": float(np.exp(term.value)),
        "hazard_ratio_low": float(np.exp(term.low)),
        "hazard_ratio_high": float(np.exp(term.high)),
        "failures": term.failures,
        "reads": reads,
    }


_Extra = dict[str, tuple[Floats, str]]


def _extras(history: History, data: Prepared) -> _Extra:
    """Return the further terms that vary enough: cups left dry, hardware, axle ratio, grease grade."""
    rows = data.rows
    found: _Extra = {}
    cups = rows["cups_purged_before"].to_numpy(dtype=float)
    if np.isfinite(cups).mean() > 0.5:
        dry = np.where(np.isfinite(cups), 4 - cups, np.nanmean(4 - cups))
        found["cups_left_dry"] = (dry - dry.mean(), "per cup left dry, mean of the truck's last five stops")
    extended = (rows["hardware"] == "extended_interval").to_numpy().astype(float)
    found["extended_interval_hardware"] = (extended, "against greaseable hardware")
    ratio = rows["unit_id"].map(history.units.set_index("unit_id")["axle_ratio"]).to_numpy(dtype=float)
    if np.isfinite(ratio).mean() > 0.9:
        logs = np.log(np.where(np.isfinite(ratio), ratio, np.nanmean(ratio)))
        found["axle_ratio"] = ((logs - logs.mean()) / np.log(1.1), "per 10 % more shaft turns a mile")
    grade = rows["grease_grade_before"].fillna("").astype(str)
    known = grade[grade != ""]
    if len(set(known)) > 1:
        usual = known.mode().iloc[0]
        other = ((grade != usual) & (grade != "")).to_numpy().astype(float)
        found["other_grease"] = (other, f"grease other than the usual one ({usual})")
    return {name: term for name, term in found.items() if _varies(data, term[0])}


def _varies(data: Prepared, column: Floats) -> bool:
    """Return whether a column varies inside classes and, where it is yes or no, both have ten failures."""
    failed = data.rows["failed"].to_numpy(dtype=bool)
    levels = np.unique(column)
    if len(levels) == 2:
        return all(int((failed & (column == level)).sum()) >= 10 for level in levels)
    within = (
        column
        - np.bincount(data.layout.code, column)[data.layout.code] / np.bincount(data.layout.code)[data.layout.code]
    )
    return bool(within.std() > 1e-3)

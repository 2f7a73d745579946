"""The effect of practice seen in other ways, and how strong a hidden cause would have to be to explain it away."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.answers.intervals_effects import find_renewed
from wearlab.answers.intervals_terms import Told
from wearlab.curves.practice import FEWEST, PracticeFit
from wearlab.curves.practice_terms import (
    Prepared,
    Term,
    by_phase,
    changed_trucks,
    fit_gathered,
    fit_terms,
    fit_with_age,
    prepare,
    split_by,
    without_inspection,
)
from wearlab.history.lives import History

Floats = npt.NDArray[np.float64]
Words = npt.NDArray[np.object_]

FAILURES_OF_SHOP = 10  # a shop with fewer has no level of its own
MOST_SHOPS = 20
CHANGED = 1.3  # practice that ranged this much on one truck has changed
CHECK_COLUMNS = ["component", "check", "theta", "theta_low", "theta_high", "failures", "trucks", "reads"]


def tabulate_checks(
    history: History,
    fits: dict[str, PracticeFit],
    calibration: dict[str, float],
    *,
    control: PracticeFit | None,
    told: dict[str, Told],
    level: float,
) -> pd.DataFrame:
    """Return the ``sensitivity`` table: one effect for all classes, seen in other ways, by component.

    ``told`` gives by component the further terms that every view has beside practice.
    """
    rows = [row for fit in fits.values() for row in _check(history, fit, calibration, told[fit.component], level)]
    bearing = _control(history, control, level)
    return pd.DataFrame([*rows, *bearing], columns=CHECK_COLUMNS)


def curves_of(fit: PracticeFit) -> dict[str, tuple[float, float]]:
    """Return (β, η) by class."""
    return {effect.duty_cycle: (effect.shape, effect.eta) for effect in fit.effects}


def _check(
    history: History, fit: PracticeFit, calibration: dict[str, float], told: Told, level: float
) -> list[dict[str, object]]:
    shown = replace(history, episodes=told.episodes)
    further = tuple(term.name for term in fit.further)
    data = _prepare(shown, fit.component, curves_of(fit), calibration, further=further)
    if data is None:
        return []
    rows: list[dict[str, object]] = []

    def add(terms: tuple[Term, ...], reads: dict[str, str]) -> None:
        rows.extend(_row(fit.component, term, reads[term.name]) for term in terms if term.name in reads)

    def one(name: str, sample: Prepared | None, reads: str, *, frailty: bool = True) -> None:
        if sample is not None:
            terms = fit_terms(sample, {name: sample.layout.practice}, level=level, frailty=frailty)
            add(terms, {name: reads})

    one("all classes", data, "one effect for all classes")
    add(*_split(data, data.rows["shop"].to_numpy(dtype=object), "shops", level))
    add(*_shop_levels(data, level))
    add(*_split_trucks(data, level))
    one("inspection finds as suspensions", without_inspection(data), "failures on the road only")
    assumed = _prepare(shown, fit.component, curves_of(fit), calibration, assumed=True, further=further)
    one("assumed practice let in", assumed, "also stretches for which the plan or a mean stands")
    plain = _prepare(shown, fit.component, curves_of(fit), {}, further=further)
    one("gaps as recorded", plain, "without the correction for noisy gaps")
    if further:
        bare = _prepare(shown, fit.component, curves_of(fit), calibration)
        one("practice alone", bare, "without " + ", ".join(name.replace("_", " ") for name in further))
    unknown = _unknown_as_failures(shown)
    if unknown is not None:
        more = _prepare(unknown, fit.component, curves_of(fit), calibration, further=further)
        one("unknown endings as failures", more, "every replacement without a known reason read as a failure")
    one("no spread between trucks", data, "plain fit; too narrow where trucks differ", frailty=False)
    gathered = fit_gathered(data, level=level)
    if gathered is not None:
        add((gathered,), {gathered.name: "what a part has borne counts for good"})
    proportional = "0 where the effect is the same at every age (per unit of ln age)"
    add(fit_with_age(data, level=level), {"change of effect with age": proportional})
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
    assumed: bool = False,
    further: tuple[str, ...] = (),
) -> Prepared | None:
    return prepare(
        history.episodes,
        component,
        curves=curves,
        calibration=calibration,
        renewed=find_renewed(history),
        assumed=assumed,
        further=further,
    )


_Reads = tuple[tuple[Term, ...], dict[str, str]]


def _split(data: Prepared, group: Words, name: str, level: float) -> _Reads:
    inside, between = f"within {name}", f"between {name}"
    if len(set(group.tolist())) < 3:
        return (), {}
    within, mean = split_by(data, group)
    if within.std() < 0.02 or mean.std() < 0.02:
        return (), {}
    terms = fit_terms(data, {inside: within, between: mean}, level=level)
    return terms, {inside: f"trucks of the same {name[:-1]} compared", between: f"means of {name} compared"}


def _shop_levels(data: Prepared, level: float) -> _Reads:
    """Return the effect when every shop with failures enough has a level of its own."""
    shop = data.rows["shop"].to_numpy(dtype=object).astype(str)
    counts = pd.Series(shop[data.rows["failed"].to_numpy(dtype=bool)]).value_counts()
    own = sorted(counts.index[counts >= FAILURES_OF_SHOP])[:MOST_SHOPS]
    if len(own) < 2:
        return (), {}
    name = "shops with levels of their own"
    levels = {f"shop {place}": (shop == which).astype(float) for place, which in enumerate(own[1:])}
    terms = fit_terms(data, {name: data.layout.practice} | levels, level=level)
    return terms, {name: "whatever else a shop does is held equal"}


def _split_trucks(data: Prepared, level: float) -> _Reads:
    data = by_phase(data)  # chance moves of recorded practice are no change
    changed = changed_trucks(data, CHANGED)
    inside, between = "within trucks that changed", "between trucks"
    if len(np.unique(data.layout.truck[changed])) < 5:
        return (), {}
    within, mean = split_by(data, data.rows["unit_id"].to_numpy(dtype=object), changed)
    terms = fit_terms(data, {inside: within, between: mean}, level=level)
    reads = "a truck compared with itself before and after its practice changed"
    return terms, {inside: reads, between: "trucks compared by their mean practice"}


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
    data = _prepare(history, "center_bearing", {} if control is None else curves_of(control), {})
    if data is None or data.rows["failed"].sum() < FEWEST:
        return []
    name = "negative control"
    terms = fit_terms(data, {name: data.layout.practice}, level=level)
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

"""The regrease interval for each duty cycle, what practice does to life, and planned replacement."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from wearlab.answers.intervals_checks import agrees_within, shift_of, tabulate_checks
from wearlab.answers.intervals_costs import SETS, PartModel, TruckCosts, make_part
from wearlab.answers.intervals_decision import Choice
from wearlab.answers.intervals_effects import (
    BAND_COLUMNS,
    EFFECT_COLUMNS,
    GREASED,
    LINE_COLUMNS,
    Reliability,
    effect_row,
    find_calibration,
    find_renewed,
    fit_calibrated,
    measure_reliability,
    tabulate_bands,
)
from wearlab.answers.intervals_present import at_present
from wearlab.answers.intervals_replacement import tabulate_replacement
from wearlab.answers.intervals_robust import ROBUST_COLUMNS, tabulate_robustness
from wearlab.answers.intervals_schedule import (
    CURVE_COLUMNS,
    REGREASE_COLUMNS,
    TRIED_COLUMNS,
    ClassEvidence,
    empty_row,
    in_hours,
    in_months,
    make_bounds,
    schedule_row,
    tabulate_curve,
    tabulate_tried,
    write_sentence,
)
from wearlab.answers.intervals_terms import tabulate_terms, tell_terms
from wearlab.answers.intervals_today import Usage, measure_usage, tabulate_today, tabulate_today_by_shop
from wearlab.answers.intervals_trial import TRIAL_COLUMNS, tabulate_trial
from wearlab.curves.practice import ClassEffect, PracticeFit, fit_practice
from wearlab.evidence import SAFETY, Basis, Caution, Unanswered, add_cautions
from wearlab.history.lives import History

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Recommendation:
    """Regrease intervals and planned replacement, with what stands behind them.

    ``regrease`` one row per duty cycle; ``effects`` one per duty cycle and greased component; ``replacement`` one per
    component and duty cycle; ``cost_curve`` cost per 1,000 miles by interval; ``bands`` and ``lines`` failures per
    million by band of practised interval beside the fitted effect; ``today`` and ``today_by_shop`` who really
    greases when; ``tried`` what
    given intervals would do; ``sensitivity`` one effect for all classes, seen in other ways; ``terms`` what else goes
    with failure; ``robustness`` the decision made again under other costs and effects; ``trial`` the trucks and
    years it would take to tell two intervals apart.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    regrease: pd.DataFrame
    effects: pd.DataFrame
    replacement: pd.DataFrame
    cost_curve: pd.DataFrame
    bands: pd.DataFrame
    lines: pd.DataFrame
    today: pd.DataFrame
    today_by_shop: pd.DataFrame
    tried: pd.DataFrame
    sensitivity: pd.DataFrame
    terms: pd.DataFrame
    robustness: pd.DataFrame
    trial: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return all tables by name."""
        names = [name for name in self.__dataclass_fields__ if name not in ("basis", "cautions")]
        return {name: getattr(self, name) for name in names}


def recommend_intervals(
    history: History,
    *,
    level: float,
    seed: int,
    try_intervals: tuple[float, ...] = (),
    found_share: float | None = None,
    progress: Progress,
) -> Recommendation | Unanswered:
    """Return the regrease interval for each duty cycle, with its evidence, and planned replacement.

    ``try_intervals`` (miles) are what-ifs for the ``tried`` table; without any, five steps of the practised range.
    ``found_share`` is the share of failures that inspection finds, for planned replacement; None: as seen.
    Unanswered where there are no episodes (a plain lives file) or no greased component failed.
    """
    if not len(history.episodes):
        return _unanswered(history, level)
    classes = _classes(history)
    progress("what regrease practice does to life")
    effects = _measure_effects(history, classes, level)
    if not effects.fits:
        return _unanswered(history, level)
    progress("weighing intervals")
    weighed = [_weigh(history, effects, name, level, seed, try_intervals) for name in classes]
    progress("weighing planned replacement")
    replacement = tabulate_replacement(history, level=level, seed=seed, found_share=found_share)
    bands = [tabulate_bands(fit, per_scale=1e6) for fit in effects.fits.values()]
    cautions = add_cautions(
        (SAFETY,),
        history.cautions,
        _general_cautions(history),
        *(fit.cautions for fit in effects.fits.values()),
        *(w.cautions for w in weighed),
    )
    return Recommendation(
        basis=replace(history.basis, level=level),
        cautions=cautions,
        regrease=pd.DataFrame([w.row for w in weighed], columns=REGREASE_COLUMNS),
        effects=effects.table,
        replacement=replacement,
        cost_curve=_stack([w.curve for w in weighed], CURVE_COLUMNS),
        bands=_stack([band for band, _ in bands], BAND_COLUMNS),
        lines=_stack([line for _, line in bands], LINE_COLUMNS),
        today=tabulate_today(history, classes),
        today_by_shop=tabulate_today_by_shop(history, classes),
        tried=_stack([w.tried for w in weighed], TRIED_COLUMNS),
        sensitivity=effects.checks,
        terms=effects.terms,
        trial=_stack([w.trial for w in weighed], TRIAL_COLUMNS),
        robustness=_stack([w.robustness for w in weighed], ROBUST_COLUMNS),
    )


def _stack(frames: list[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=columns)


def _unanswered(history: History, level: float) -> Unanswered:
    none = not len(history.episodes)
    return Unanswered(
        basis=replace(history.basis, level=level),
        cautions=add_cautions((SAFETY,), history.cautions),
        code="no-practice" if none else "no-failures",
        text=(
            "These records hold no regrease practice, so no interval can be weighed."
            if none
            else "No greased part failed in a stretch of life with known practice, so no interval can be weighed."
        ),
        fix=(
            "Give a fleet folder with units, positions and services, the regrease stops among them."
            if none
            else "A longer record, more trucks, or regrease stops with their meter readings."
        ),
    )


def _classes(history: History) -> tuple[str, ...]:
    present = set(history.units["duty_cycle"].dropna()) | set(history.episodes["duty_cycle"].dropna())
    named = [name for name in history.config.duty_cycles or () if name in present]
    return (*named, *sorted(str(name) for name in present - set(named)))


def _general_cautions(history: History) -> tuple[Caution, ...]:
    cautions = []
    costs = history.config.costs
    if costs.regrease_stop is None and not costs.regrease_stop_by_duty_cycle:
        text = (
            "The cost optimum needs costs: give [costs] regrease_stop and the planned and failure cost of each part in "
            "fleet.toml. Life and failures by interval are shown without them."
        )
        cautions.append(Caution("needs-costs", text))
    association = (
        "The effect of the interval is an association within each class, not an experiment: trucks that are greased "
        "more often may differ in other ways. See the sensitivity table."
    )
    return (*cautions, Caution("association", association))


@dataclass(frozen=True, slots=True)
class _Effects:
    """The fits of practice by greased component, corrected for noisy gaps where needed, and their tables."""

    fits: dict[str, PracticeFit]
    reliability: dict[str, Reliability]
    control: PracticeFit | None
    table: pd.DataFrame
    checks: pd.DataFrame
    terms: pd.DataFrame


def _measure_effects(history: History, classes: tuple[str, ...], level: float) -> _Effects:
    episodes = history.episodes
    reliability = {name: measure_reliability(history.gaps, episodes, name) for name in classes}
    told = {component: tell_terms(history, component) for component in GREASED}
    fits, rows = {}, []
    for component in GREASED:
        known = tuple(reliability.values())
        fit, plain = fit_calibrated(history, component, known, told[component], level=level)
        if fit is not None:
            fits[component] = fit
        for name in classes:
            counts = _counts(episodes, component, name)
            rows.append(effect_row(fit, plain, component, reliability[name], counts))
    order = {name: place for place, name in enumerate(classes)}
    table = pd.DataFrame(rows, columns=EFFECT_COLUMNS)
    table = table.sort_values("duty_cycle", key=lambda names: names.map(order), kind="stable").reset_index(drop=True)
    control = fit_practice(
        episodes,
        component="center_bearing",
        level=level,
        scale=history.scale,
        renewed=find_renewed(history),
    )
    answered = control if isinstance(control, PracticeFit) else None
    calibration = find_calibration(tuple(reliability.values()))
    checks = tabulate_checks(history, fits, calibration, control=answered, told=told, level=level)
    return _Effects(fits, reliability, answered, table, checks, tabulate_terms(fits, told))


def _counts(episodes: pd.DataFrame, component: str, duty_cycle: str) -> tuple[int, int]:
    mine = episodes[
        (episodes["component"] == component)
        & (episodes["duty_cycle"] == duty_cycle)
        & (episodes["hardware"] != "sealed")
    ]
    return int(mine["failed"].sum()), int(mine["unit_id"].nunique())


@dataclass(frozen=True, slots=True)
class _Weighed:
    """One class weighed: its row of the schedule, its curves, and what to be careful about."""

    row: dict[str, object]
    curve: pd.DataFrame
    tried: pd.DataFrame
    robustness: pd.DataFrame
    trial: pd.DataFrame
    cautions: tuple[Caution, ...]


def _weigh(
    history: History, effects: _Effects, name: str, level: float, seed: int, try_intervals: tuple[float, ...]
) -> _Weighed:
    config, usage = history.config, measure_usage(history, name)
    evidence = _class_evidence(effects, name)
    cautions = _class_cautions(history, usage, evidence)
    row = empty_row(usage, config, evidence)
    curve, tried = pd.DataFrame(columns=CURVE_COLUMNS), pd.DataFrame(columns=TRIED_COLUMNS)
    robustness, trial = pd.DataFrame(columns=ROBUST_COLUMNS), pd.DataFrame(columns=TRIAL_COLUMNS)
    parts = _parts(history, effects, usage, seed)
    usable = bool(parts) and usage.ownership_miles > 0 and usage.miles_per_year > 0
    if usable and evidence is not None:
        stop = config.costs.stop(name)
        costs = TruckCosts(usage, float("nan") if stop is None else stop + config.costs.harm_per_stop, parts)
        priced = stop is not None and all(np.isfinite(part.cost) for part in parts)
        practised = (evidence.practised_low, evidence.practised_high)
        trial = tabulate_trial(history, costs, *_trial_pair(practised, try_intervals), level=level, seed=seed)
        tried = tabulate_tried(costs, practised, try_intervals or _steps(*practised), level, priced=priced)
        if priced and usage.current is not None:
            bounds = make_bounds(config, usage, evidence)
            decided, choice = schedule_row(costs, bounds, evidence, usage.current, level)
            row |= decided
            row |= {
                "recommended_hours": in_hours(choice.recommended, usage),
                "recommended_months": in_months(choice.recommended, usage),
            }
            curve = tabulate_curve(costs, bounds, level)
            gathered = shift_of(effects.checks, "cumulative exposure")
            shifts = {"life counted by exposure gathered": gathered}
            shifts["unknown endings as failures"] = shift_of(effects.checks, "unknown endings as failures")
            known = {name: shift for name, shift in shifts.items() if shift}
            present = at_present(history, costs)
            robustness = tabulate_robustness(costs, bounds, usage.current, known, present)
            cautions += _choice_cautions(usage, choice, robustness, evidence)
    row["cautions"] = [caution.text for caution in cautions]
    row["sentence"] = write_sentence(row, usage)
    return _Weighed(row, curve, tried, robustness, trial, cautions)


def _parts(history: History, effects: _Effects, usage: Usage, seed: int) -> tuple[PartModel, ...]:
    made = [
        make_part(fit, fit.draw(SETS, seed=seed + place), usage, history.config.costs)
        for place, fit in enumerate(effects.fits.values())
    ]
    return tuple(part for part in made if part is not None)


def _trial_pair(practised: tuple[float, float], try_intervals: tuple[float, ...]) -> tuple[float, float]:
    """Return the two intervals of a trial: the outermost asked for, else the ends of practice, to two figures."""
    asked = sorted(set(try_intervals))
    low, high = (asked[0], asked[-1]) if len(asked) > 1 else practised
    return float(f"{low:.2g}"), float(f"{high:.2g}")


def _steps(low: float, high: float) -> tuple[float, ...]:
    """Return five intervals over the practised range, rounded to three figures."""
    return tuple(float(f"{miles:.3g}") for miles in np.geomspace(low, high, 5))


def _class_evidence(effects: _Effects, name: str) -> ClassEvidence | None:
    found = [effect for fit in effects.fits.values() if (effect := fit.effect(name)) is not None]
    if not found:
        return None
    control = None if effects.control is None else effects.control.effect(name)
    return ClassEvidence(
        practised_low=max(effect.practised_low for effect in found),
        practised_high=max(*(effect.practised_low for effect in found), min(e.practised_high for e in found)),
        range_ratio=min(effect.range_ratio for effect in found),
        failures=sum(effect.failures for effect in found),
        trucks=max(effect.trucks for effect in found),
        reliability_ratio=effects.reliability[name].ratio,
        same_sign=all(agrees_within(effects.checks, name) for name in effects.fits),
        control_clear=_is_clear(control),
    )


def _is_clear(control: ClassEffect | None) -> bool:
    """Return whether the ungreased bearing shows no effect; also where there is none to look at."""
    if control is None or control.theta_low is None or control.theta_high is None:
        return True
    return control.theta_low <= 0 <= control.theta_high


def _class_cautions(history: History, usage: Usage, evidence: ClassEvidence | None) -> tuple[Caution, ...]:
    name, cautions = usage.duty_cycle, []
    if evidence is None:
        cautions.append(Caution("no-fit", f"{name}: no greased part failed with known practice; nothing can be said."))
    elif evidence.failures < 20:
        text = f"{name}: only {evidence.failures} failures of greased parts stand behind this."
        cautions.append(Caution("few-failures", text))
    if name not in history.config.published_interval:
        text = f"{name}: no published interval is given in fleet.toml; the component maker's comes first."
        cautions.append(Caution("no-published-interval", text))
    if not usage.ownership_given and np.isfinite(usage.ownership_miles):
        text = (
            f"{name}: costs are weighed from new over {usage.ownership_miles:,.0f} miles, the median meter of the "
            "trucks; give ownership_miles in fleet.toml."
        )
        cautions.append(Caution("ownership-observed", text))
    return tuple(cautions)


def _choice_cautions(
    usage: Usage, choice: Choice, robustness: pd.DataFrame, evidence: ClassEvidence
) -> tuple[Caution, ...]:
    name, cautions = usage.duty_cycle, []
    if choice.target_missed:
        text = f"{name}: no practised interval meets the targets in fleet.toml; the shortest is weighed."
        cautions.append(Caution("target-missed", text))
    other = robustness.loc[robustness["change"] == "life counted by exposure gathered", "cost_optimal"]
    if len(other) and not choice.low <= float(other.iloc[0]) <= choice.high:
        text = (
            f"{name}: if what a part has borne under earlier practice counts for good, the least cost is near "
            f"{float(other.iloc[0]):,.0f} miles, not {choice.cost_optimal:,.0f}."
        )
        cautions.append(Caution("earlier-practice", text))
    if not evidence.control_clear:
        text = (
            f"{name}: the centre bearing, which is not greased, goes with the interval too: something else differs "
            "between trucks that are greased often and seldom."
        )
        cautions.append(Caution("control-not-clear", text))
    if not evidence.same_sign:
        text = f"{name}: the effect within shops or within trucks points the other way than the effect overall."
        cautions.append(Caution("signs-differ", text))
    return tuple(cautions)

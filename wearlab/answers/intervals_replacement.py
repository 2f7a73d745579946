"""Planned replacement: whether a part should be changed before it fails, and at what age."""

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from wearlab.answers.intervals_effects import find_renewed
from wearlab.curves.practice import ClassEffect, NoPracticeFit, PracticeFit, fit_practice
from wearlab.curves.renewal import frailty_nodes, mean_life
from wearlab.history.lives import History

Floats = npt.NDArray[np.float64]

PAYS = 0.05  # a saving below this share of the cost of running to failure is not worth a schedule
SETS = 200
REPLACEMENT_COLUMNS = [
    "component", "duty_cycle", "replace_at", "replace_at_low", "replace_at_high", "policy", "cost_per_1000",
    "cost_per_1000_low", "cost_per_1000_high", "run_to_failure_per_1000", "saving_share", "saving_share_low",
    "saving_share_high", "shape", "shape_low", "shape_high", "eta", "planned_cost", "failure_cost", "on_road_share",
    "failures", "replace_at_unfound", "run_to_failure_unfound_per_1000", "why",
]  # fmt: skip


def tabulate_replacement(
    history: History, *, level: float, seed: int, found_share: float | None = None
) -> pd.DataFrame:
    """Return the ``replacement`` table: one row per component and duty cycle with lives.

    Age replacement (Barlow & Proschan, *Mathematical Theory of Reliability*, 1965, chapter 4), the cost per mile
    averaged over trucks (gamma frailty), a failure costed at the shares seen on the road and at inspection. It is
    advised only where the shape's lower limit is above 1, the saving's lower limit is above 5 % of running to failure,
    and the age is within the time the truck is kept. Inspection in between makes failures cheaper, and planned
    replacement pays less the more of them it finds: ``found_share`` sets that share in place of the one seen, and
    ``replace_at_unfound`` and ``run_to_failure_unfound_per_1000`` say how it would be if none were found in time.
    """
    rows = []
    for component in sorted(history.lives["component"].dropna().unique()):
        fit = _fit(history, str(component), level)
        mine = history.lives[history.lives["component"] == component]
        classes = sorted(mine["duty_cycle"].dropna().unique())
        rows += [_row(history, fit, mine, str(component), str(name), seed, found_share) for name in classes]
    return pd.DataFrame(rows, columns=REPLACEMENT_COLUMNS)


def _fit(history: History, component: str, level: float) -> PracticeFit | NoPracticeFit:
    """Return the life curves by class with truck frailty: the practice fit with practice held constant."""
    usable = history.lives[history.lives["fittable"].astype(bool)]
    return fit_practice(
        usable.assign(practised_miles=1.0, hardware="greaseable"),
        component=component,
        level=level,
        scale=history.scale,
        renewed=find_renewed(history),
    )


def _row(
    history: History,
    fit: PracticeFit | NoPracticeFit,
    lives: pd.DataFrame,
    component: str,
    duty_cycle: str,
    seed: int,
    found_share: float | None,
) -> dict[str, object]:
    mine = lives[lives["duty_cycle"] == duty_cycle]
    failed = mine[mine["failed"].astype(bool)]
    row: dict[str, object] = {"component": component, "duty_cycle": duty_cycle, "failures": len(failed)}
    effect = None if isinstance(fit, NoPracticeFit) else fit.effect(duty_cycle)
    if isinstance(fit, NoPracticeFit) or effect is None:
        return row | {"policy": "unknown", "why": "too few failures for a life curve"}
    row |= {name: getattr(effect, name) for name in ("shape", "shape_low", "shape_high", "eta")}
    price = history.config.costs.part(component, duty_cycle)
    on_road = float((failed["found_at"] != "inspection").mean()) if len(failed) else 1.0
    on_road = on_road if found_share is None else 1 - found_share
    row |= {"on_road_share": on_road}
    if price is None:
        return row | {"policy": "unknown", "why": f"needs the costs of a {component}, planned and after a failure"}
    failure = on_road * price.failure + (1 - on_road) * price.planned
    row |= {"planned_cost": price.planned, "failure_cost": failure}
    row |= _unfound(fit, effect, price.planned, price.failure)
    return row | _advise(fit, effect, price.planned, failure, _kept(history, duty_cycle), seed, on_road)


def _unfound(fit: PracticeFit, effect: ClassEffect, planned: float, failure: float) -> dict[str, object]:
    """Return the best age and the cost of running to failure if no failure were found in time."""
    one = (np.array([effect.shape]), np.array([effect.eta]), np.array([fit.frailty_variance]))
    age, _, run = best_ages(*one, planned, failure)
    return {
        "replace_at_unfound": float(age[0]) if np.isfinite(age[0]) and effect.shape_low > 1 else None,
        "run_to_failure_unfound_per_1000": 1000 * float(run[0]),
    }


def _kept(history: History, duty_cycle: str) -> float:
    given = history.config.costs.ownership_miles.get(duty_cycle)
    return float(given) if given is not None and history.scale == "miles" else float("inf")


def _advise(
    fit: PracticeFit, effect: ClassEffect, planned: float, failure: float, kept: float, seed: int, on_road: float
) -> dict[str, object]:
    sets = _sets(fit, effect, seed)
    age, rate, run_rate = best_ages(*sets, planned, failure)
    otherwise = "on condition" if on_road < 0.9 else "run to failure"
    run = 1000 * float(run_rate[0])
    row: dict[str, object] = {"run_to_failure_per_1000": run, "policy": otherwise, "cost_per_1000": run}
    if effect.shape_low <= 1:
        return row | {"why": "the hazard does not clearly rise with age: a new part is no safer than the old one"}
    if failure <= planned:
        return row | {"why": "a failure costs no more than a planned change"}
    tail = (1 - fit.level) / 2
    saving = 1 - float(rate[0] / run_rate[0])
    savings = np.quantile(1 - rate / run_rate, (tail, 1 - tail))
    row |= _limits("saving_share", saving, savings)
    if savings[0] < PAYS:
        return row | {"why": f"it would save only {100 * saving:.0f} % of the cost of running to failure"}
    if age[0] >= kept:
        return row | {"why": "the best age is beyond the time the truck is kept"}
    rates = np.quantile(1000 * rate, (tail, 1 - tail))
    ages = np.quantile(age, (tail, 1 - tail), method="nearest")
    row |= _limits("replace_at", float(age[0]), ages) | _limits("cost_per_1000", 1000 * float(rate[0]), rates)
    return row | {"policy": "replace at age", "why": f"saves {100 * saving:.0f} % of the cost of running to failure"}


def _sets(fit: PracticeFit, effect: ClassEffect, seed: int) -> tuple[Floats, Floats, Floats]:
    """Return shape, η and frailty variance: the fit itself first, then draws from its uncertainty."""
    at, draws = fit.effects.index(effect), fit.draw(SETS, seed=seed)
    return (
        np.concatenate([[effect.shape], draws.shape[:, at]]),
        np.concatenate([[effect.eta], draws.eta[:, at]]),
        np.concatenate([[fit.frailty_variance], draws.variance]),
    )


def _limits(name: str, value: float, ends: Floats) -> dict[str, object]:
    return {name: value, f"{name}_low": min(value, float(ends[0])), f"{name}_high": max(value, float(ends[1]))}


def best_ages(
    shape: Floats, eta: Floats, variance: Floats, planned: float, failure: float
) -> tuple[Floats, Floats, Floats]:
    """Return the replacement ages of least cost per mile (inf = never), that cost, and that of running to failure.

    One entry per parameter set, costs averaged over trucks; the least of 81 ages spread evenly in ln age over a factor
    of 250, refined by the parabola through it and its neighbours.
    """
    weights, levels = frailty_nodes(variance)
    scales = levels ** (-1 / shape[:, None])  # (sets, nodes), in units of eta
    mean = mean_life(shape, 1.0)[:, None]
    run = (failure / mean / scales) @ weights
    logs = np.linspace(-4.0, 1.5, 81)
    power = (np.exp(logs)[None, :, None] / scales[:, None, :]) ** shape[:, None, None]
    lived = mean[:, :, None] * scales[:, None, :] * special.gammainc(1 / shape[:, None, None], power)
    rate = ((planned * np.exp(-power) - failure * np.expm1(-power)) / lived) @ weights
    at = rate.argmin(axis=1)
    inner = np.clip(at, 1, len(logs) - 2)
    sets = np.arange(len(shape))
    left, middle, right = (rate[sets, inner + d] for d in (-1, 0, 1))
    bend = left - 2 * middle + right
    shift = np.clip(np.where(bend > 0, (left - right) / (2 * np.where(bend > 0, bend, 1.0)), 0.0), -1, 1)
    least = np.where(at == inner, middle - (left - right) * shift / 4, rate[sets, at])
    never = (at == len(logs) - 1) | (least >= run)
    age = np.where(never, np.inf, np.exp(logs[inner] + shift * (logs[1] - logs[0])))
    return age * eta, np.where(never, run, least) / eta, run / eta

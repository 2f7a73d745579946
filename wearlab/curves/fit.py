"""Lives to life curves: one Fit or Unfitted per stratum."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from wearlab.curves.batch import fit_weibulls, solve_rows
from wearlab.curves.bound import ASSUMED_SHAPE, bound_life
from wearlab.curves.engine import agrees, fit_with_engine
from wearlab.curves.interval import Limits, limit_life, limit_shape
from wearlab.curves.newton import Rows, Solution
from wearlab.curves.observations import Observations, observations
from wearlab.curves.strata import Stratum, choose_columns, choose_lives, name_stratum, split_lives
from wearlab.curves.weibull import Weibull
from wearlab.evidence import Basis, Caution, Unanswered, add_cautions
from wearlab.history.lives import History

SHARES = {"eta": 1.0 - float(np.exp(-1.0)), "b1": 0.01, "b10": 0.10, "b50": 0.50}
FEW = 10  # failures below which the shape is little more than a guess
LIFELINES = "maximum likelihood: lifelines, polished by Newton"
OWN = "maximum likelihood: own likelihood, lifelines had no sound answer"


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its two-sided interval; an end is None where the data set no limit on that side."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Fit:
    """The life curve of one stratum: plain maximum likelihood, with the intervals of its basis's level.

    ``pooled`` borrows from the other strata (None where there are none to borrow from). ``frailty_variance`` is the
    spread between trucks where it could be estimated; ``truck_curve`` is then the curve of a truck of mean wear.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    stratum: Stratum
    observations: Observations = field(repr=False, compare=False)
    curve: Weibull
    lives: int
    failures: int
    shape: Estimate
    eta: Estimate
    b1: Estimate
    b10: Estimate
    b50: Estimate
    log_likelihood: float
    method: str
    frailty_variance: float | None
    truck_curve: Weibull | None
    pooled: Weibull | None


@dataclass(frozen=True, slots=True)
class Unfitted:
    """A stratum without a curve, and why; without failures a lower bound for B10 at an assumed shape."""

    basis: Basis
    cautions: tuple[Caution, ...]
    stratum: Stratum
    observations: Observations = field(repr=False, compare=False)
    lives: int
    failures: int
    reason: str
    assumed_shape: float | None
    b10_lower_bound: float | None


@dataclass(frozen=True, slots=True)
class Fits:
    """Every stratum of one question, fitted or not."""

    basis: Basis
    cautions: tuple[Caution, ...]
    columns: tuple[str, ...]
    items: tuple[Fit | Unfitted, ...]

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return ``fits``: a row per stratum, nulls where it has no curve."""
        return {"fits": _table_fits(self)}


def fit_strata(
    history: History, *, by: tuple[str, ...] | None, component: str | None, mode: str | None, level: float, seed: int
) -> Fits | Unanswered:
    """Return the life curve of every stratum, or Unanswered where not one stratum has a curve.

    ``by`` None: component and duty cycle where the lives carry them. ``mode``: that failure mode's own curve, the
    other modes as suspensions. ``level`` is that of every interval. Unknown columns, components and modes are refused
    (DataError). ``seed`` is that of the simulated checks.
    """
    del seed  # nothing here is drawn yet
    chosen = choose_lives(history, component=component, mode=mode)
    columns = choose_columns(history, chosen, by)
    basis = replace(
        history.basis, level=level, lives=_count(chosen), failures=_count(chosen[chosen["failed"].to_numpy(dtype=bool)])
    )
    items = tuple(
        fit_stratum(observations(rows), basis=basis, stratum=stratum, inherited=history.cautions)
        for stratum, rows in split_lives(chosen, columns)
    )
    cautions = add_cautions(history.cautions, *(item.cautions for item in items))
    if not any(isinstance(item, Fit) for item in items):
        return _no_curve(basis, cautions, items)
    return Fits(basis, cautions, columns, items)


def _count(lives: pd.DataFrame) -> int:
    return round(float(lives["count"].sum()))


def _no_curve(basis: Basis, cautions: tuple[Caution, ...], items: tuple[Fit | Unfitted, ...]) -> Unanswered:
    reasons = list(dict.fromkeys(item.reason for item in items if isinstance(item, Unfitted)))
    return Unanswered(
        basis,
        cautions,
        "no-curve",
        "no life curve can be fitted: " + ("; ".join(reasons) if reasons else "there are no lives"),
        "a curve needs failures at two ages, or one failure with a part still running beyond it",
    )


def fit_stratum(obs: Observations, *, basis: Basis, stratum: Stratum, inherited: tuple[Caution, ...]) -> Fit | Unfitted:
    """Return the curve of one stratum's lives, or why it has none."""
    own = replace(basis, stratum=name_stratum(stratum), lives=obs.lives, failures=obs.failures)
    plain = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    if not plain.converged[0]:
        return _unfitted(obs, own, stratum, inherited, str(plain.why[0]))
    curve = Weibull(shape=float(plain.shape[0]), eta=float(np.exp(plain.log_eta[0])))
    engine = fit_with_engine(obs, curve)
    rows = _as_rows(obs)
    found = solve_rows(rows)
    estimates = _estimate(rows, found, curve, basis.level)
    return Fit(
        own,
        add_cautions(inherited, caution_few(obs), caution_open(estimates)),
        stratum,
        obs,
        curve,
        obs.lives,
        obs.failures,
        estimates["beta"],
        estimates["eta"],
        estimates["b1"],
        estimates["b10"],
        estimates["b50"],
        float(plain.log_likelihood[0]),
        LIFELINES if agrees(engine, curve) else OWN,
        None,
        None,
        None,
    )


def _as_rows(obs: Observations) -> Rows:
    start = np.zeros(1, dtype=np.int64)
    return Rows(start, obs.entry, obs.exit, obs.failed, obs.lower, obs.upper, obs.count)


def _estimate(rows: Rows, found: Solution, curve: Weibull, level: float) -> dict[str, Estimate]:
    """Return each printed quantity with its likelihood-ratio interval."""
    shape = limit_shape(rows, found, level=level)
    estimates = {"beta": _with_limits(curve.shape, shape)}
    for name, share in SHARES.items():
        limits = limit_life(rows, found, share, level=level)
        estimates[name] = _with_limits(float(curve.life_at(share)), limits)
    return estimates


def _with_limits(value: float, limits: Limits) -> Estimate:
    low, high = float(limits.low[0]), float(limits.high[0])
    return Estimate(value, low if np.isfinite(low) else None, high if np.isfinite(high) else None)


REASONS: dict[str, str] = {
    "no failures": "none of the {lives} parts has failed",
    "failures without spread": "all {failures} failures lie at one age with no part running beyond it: no shape",
    "no maximum": "the likelihood of {failures} failures among {lives} lives has no maximum: any shape would do",
    "not converged": "no maximum was found for {failures} failures among {lives} lives",
}


def _unfitted(obs: Observations, basis: Basis, stratum: Stratum, inherited: tuple[Caution, ...], why: str) -> Unfitted:
    reason = REASONS[why].format(lives=f"{obs.lives:,}", failures=f"{obs.failures:,}")
    bound = bound_life(obs, shape=ASSUMED_SHAPE, level=basis.level) if why == "no failures" and len(obs) else None
    said = reason[0].upper() + reason[1:] + "."
    if bound is not None:
        said += (
            f" If the shape were {bound.shape:g} (assumed), one in ten would last at least "
            f"{float(bound.life_at(0.1)):,.0f} {basis.scale} (one-sided, {basis.level:.0%} confidence)."
        )
    cautions = add_cautions(inherited, (Caution("no-curve", said),))
    shape, b10 = (None, None) if bound is None else (bound.shape, float(bound.life_at(0.1)))
    return Unfitted(basis, cautions, stratum, obs, obs.lives, obs.failures, reason, shape, b10)


def caution_few(obs: Observations) -> tuple[Caution, ...]:
    """Return the caution that few failures deserve."""
    if obs.failures >= FEW:
        return ()
    text = f"Only {obs.failures} of {obs.lives:,} parts have failed: the shape is little more than a guess."
    return (Caution("few-failures", text),)


def caution_open(estimates: dict[str, Estimate]) -> tuple[Caution, ...]:
    """Return the caution that an interval without an end deserves."""
    lacking = [name for name, estimate in estimates.items() if estimate.low is None or estimate.high is None]
    if not lacking:
        return ()
    return (Caution("open-interval", f"The data set no limit on one side of {', '.join(lacking)}: that end is blank."),)


NAMED: tuple[tuple[str, Callable[[Fit], Estimate]], ...] = (
    ("beta", lambda fit: fit.shape),
    ("eta", lambda fit: fit.eta),
    ("b1", lambda fit: fit.b1),
    ("b10", lambda fit: fit.b10),
    ("b50", lambda fit: fit.b50),
)


def _table_fits(fits: Fits) -> pd.DataFrame:
    names = [f"{name}{end}" for name, _ in NAMED for end in ("", "_low", "_high")]
    rows = [
        dict(item.stratum) | {"lives": item.lives, "failures": item.failures} | _values(item) for item in fits.items
    ]
    last = ["log_likelihood", "beta_pooled", "eta_pooled", "b10_pooled", "frailty_variance", "beta_truck"]
    words = ["assumed_shape", "b10_lower_bound", "method", "cautions"]
    table = pd.DataFrame(rows, columns=[*fits.columns, "lives", "failures", *names, *last, *words])
    numbers = [*names, *last, *words[:2]]
    return table.astype(dict.fromkeys(numbers, np.float64))


def _values(item: Fit | Unfitted) -> dict[str, object]:
    said: dict[str, object] = {"cautions": [caution.text for caution in item.cautions], "method": None}
    if isinstance(item, Unfitted):
        return said | {"assumed_shape": item.assumed_shape, "b10_lower_bound": item.b10_lower_bound}
    for name, estimate_of in NAMED:
        estimate = estimate_of(item)
        said |= {name: estimate.value, f"{name}_low": estimate.low, f"{name}_high": estimate.high}
    pooled = item.pooled
    return said | {
        "log_likelihood": item.log_likelihood,
        "beta_pooled": None if pooled is None else pooled.shape,
        "eta_pooled": None if pooled is None else pooled.eta,
        "b10_pooled": None if pooled is None else float(pooled.life_at(0.1)),
        "frailty_variance": item.frailty_variance,
        "beta_truck": None if item.truck_curve is None else item.truck_curve.shape,
        "method": item.method,
    }

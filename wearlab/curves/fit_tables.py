"""Fits as tables: one row per stratum, and the curves as they are drawn."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from wearlab.curves.counted import count_curve, thin_until, watch_from, watched_at
from wearlab.curves.stratum import SHARES, Estimate, Fit, Unfitted
from wearlab.curves.turnbull import count_between
from wearlab.curves.weibull import FloatArray
from wearlab.evidence import Caution

DRAWN_AGES = 41
BAND_AT = (0.05, 0.15, 0.35, 0.65, 1.0, 1.3)  # of the oldest age; the band is read between them

NAMED: tuple[tuple[str, Callable[[Fit], Estimate]], ...] = (
    ("beta", lambda fit: fit.shape),
    ("eta", lambda fit: fit.eta),
    ("b1", lambda fit: fit.b1),
    ("b10", lambda fit: fit.b10),
    ("b50", lambda fit: fit.b50),
)


def table_fits(
    columns: tuple[str, ...], items: tuple[Fit | Unfitted, ...], inherited: tuple[Caution, ...]
) -> pd.DataFrame:
    """Return one row per stratum; a stratum without a curve is a row of nulls with its caution.

    ``cautions`` of a row are its own; those ``inherited`` by all stand with the whole answer.
    """
    names = [f"{name}{end}" for name, _ in NAMED for end in ("", "_low", "_high")]
    rows = [
        dict(item.stratum) | {"lives": item.lives, "failures": item.failures} | _values(item, inherited)
        for item in items
    ]
    last = ["log_likelihood", "beta_pooled", "eta_pooled", "b10_pooled", "frailty_variance"]
    last += ["beta_truck", "eta_averaged", "b10_averaged"]
    bound = ["assumed_shape", "b10_lower_bound"]
    table = pd.DataFrame(rows, columns=[*columns, "lives", "failures", *names, *last, *bound, "method", "cautions"])
    return table.astype(dict.fromkeys([*names, *last, *bound], np.float64))


def _values(item: Fit | Unfitted, inherited: tuple[Caution, ...]) -> dict[str, object]:
    own = [caution.text for caution in item.cautions if caution not in inherited]
    said: dict[str, object] = {"cautions": own, "method": None}
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
        "beta_truck": None if item.truck is None else item.truck.curve.shape,
        "eta_averaged": None if item.truck is None else item.truck.life_at(SHARES["eta"]),
        "b10_averaged": None if item.truck is None else item.truck.life_at(SHARES["b10"]),
        "method": item.method,
    }


def table_curves(columns: tuple[str, ...], items: tuple[Fit | Unfitted, ...]) -> pd.DataFrame:
    """Return the curves as drawn: per stratum and age the fitted survival with its band, the counted one, the lives.

    ``observed`` is Kaplan-Meier (failures between two ages in their middle), or Turnbull's estimate where all failures
    lie between two ages and these are few; ``at_risk`` the lives under watch at that age. Where the first ages are
    watched by too few lives it is null there and begins on the fitted curve. ``counted_by`` says which it is.
    """
    names = [*columns, "age", "survival", "low", "high", "observed", "counted_by", "at_risk"]
    drawn = [_draw(item) for item in items if isinstance(item, Fit)]
    return pd.concat(drawn, ignore_index=True)[names] if drawn else pd.DataFrame(columns=names)


def _draw(fit: Fit) -> pd.DataFrame:
    age = np.linspace(0.0, float(fit.observations.exit.max()), DRAWN_AGES)
    survival = fit.survival(age)
    low, high = _band(fit, age)
    observed, counted_by = _counted(fit, age)
    frame = pd.DataFrame(
        {
            "age": age,
            "survival": survival,
            "low": np.fmin(low, survival),
            "high": np.fmax(high, survival),
            "observed": observed,
            "counted_by": counted_by,
            "at_risk": watched_at(fit.observations, np.maximum(age, 1e-9 * age[-1])),
        }
    )
    for name, value in reversed(fit.stratum):
        frame.insert(0, name, pd.Series([value] * len(frame), dtype=object))
    return frame


def _counted(fit: Fit, age: FloatArray) -> tuple[FloatArray, str]:
    """Return the counted share still running at each age, and by whose estimate it is counted."""
    obs = fit.observations
    between = count_between(obs) if bool((obs.between == obs.failed).all()) else None
    if between is not None:
        return 1.0 - between.failed_share(age), "Turnbull"
    start = thin_until(obs)
    if start == 0.0:
        return count_curve(obs).survival_at(age), "Kaplan-Meier"
    shared = fit.survival(np.array([start])) * count_curve(watch_from(obs, start)).survival_at(age)
    return np.where(age < start, np.nan, shared), "Kaplan-Meier from the fitted curve on"


def _band(fit: Fit, age: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the interval of the survival at each age.

    The ages between which a share may lie and the shares between which an age may lie are one region, read both ways.
    """
    share = 1.0 - fit.survival(age[-1] * np.array(BAND_AT))
    share = share[(share > 1e-9) & (share < 1.0 - 1e-9)]
    limits = fit.life_limits(share)
    ends = np.array([np.nan if end is None else end for pair in limits for end in pair], dtype=np.float64)
    ends = ends.reshape(-1, 2)
    height = np.log(-np.log1p(-share))
    with np.errstate(divide="ignore"):
        log_age = np.log(age)
    soonest, latest = (_read(np.log(ends[:, side]), height, log_age) for side in (0, 1))
    return np.exp(-np.exp(soonest)), np.exp(-np.exp(latest))


def _read(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """Return y at each place by straight lines on Weibull paper, carried on at both ends; NaN where x is not known."""
    known = np.isfinite(x)
    if known.sum() < 2:
        return np.full(len(at), np.nan)
    x, y = x[known], y[known]
    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    inside = np.interp(at, x, y)
    first, last = (y[1] - y[0]) / max(x[1] - x[0], 1e-12), (y[-1] - y[-2]) / max(x[-1] - x[-2], 1e-12)
    below = np.where(at < x[0], y[0] + first * (at - x[0]), inside)
    return np.asarray(np.where(at > x[-1], y[-1] + last * (at - x[-1]), below), dtype=np.float64)

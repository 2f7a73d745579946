"""Severity in the curves: as a life scale and as a covariate, and how much of the classes' difference is then gone."""

from dataclasses import dataclass, replace

import numpy as np

from wearlab.curves.batch import fit_weibulls
from wearlab.curves.observations import BoolArray, FloatArray, IntArray, Observations
from wearlab.curves.resample import resample_weibulls

EXPONENTS = np.linspace(-0.5, 2.0, 26)  # where the index's effect on log life is looked for
NARROW = 1.05  # trucks of one class whose index spreads less than this say nothing
INDEX = ("component", "comparison", "exponent", "exponent_low", "exponent_high", "lives", "failures", "at_edge")
SCALES = (
    *(
        "component",
        "duty_cycle",
        "reference",
        "failures",
        "life_scale",
        "life_ratio",
        "life_ratio_low",
        "life_ratio_high",
    ),
    *("share_explained", "share_explained_low", "share_explained_high"),
)


@dataclass(frozen=True, slots=True)
class LoadLives:
    """Lives of one component in the classes of the spectra, with each life's class, log turns and log severity.

    Class 0 is the reference. Both logs are NaN where the truck's turns per mile are not known.
    """

    obs: Observations
    code: IntArray
    classes: tuple[str, ...]
    turns: FloatArray  # mean turns per mile by class
    log_turns: FloatArray
    log_severity: FloatArray


@dataclass(frozen=True, slots=True)
class WithinClasses:
    """The exponent found within classes, with log B10 by class at it: as fitted, and under every draw of trucks."""

    log_life: FloatArray
    drawn_log_life: FloatArray


def find_exponents(
    lives: LoadLives, draws: FloatArray, *, level: float
) -> tuple[list[tuple[object, ...]], WithinClasses | None]:
    """Return the index's exponent across all trucks, and within classes where trucks of one class differ.

    Rows as ``INDEX`` has them without the component; lives whose severity is not known take no part.
    """
    known = np.isfinite(lives.log_severity)
    rows: list[tuple[object, ...]] = []
    if not known.any():
        return rows, None
    obs, severity, code = lives.obs.take(known), lives.log_severity[known], lives.code[known]
    strata = len(lives.classes)
    telling = np.array([_differ(severity[code == number]) for number in range(strata)])
    for name, stratum, used in (
        ("all_trucks", np.zeros(len(code), dtype=np.int64), np.ones(len(code), dtype=bool)),
        ("within_classes", code, telling[code]),
    ):
        if not used.any():
            return rows, None
        values, log_life = _try_exponents(obs, severity, stratum, draws, strata if name == "within_classes" else 1)
        best = _peak(values)
        low, high = limits_of(best[1:], float(best[0]), level)
        edge = bool(best[0] in (EXPONENTS[0], EXPONENTS[-1]))
        counted = obs.take(used)
        rows.append((name, float(best[0]), low, high, counted.lives, counted.failures, edge))
    at = _between(log_life, best)
    return rows, WithinClasses(at[0], at[1:])


def _differ(log_severity: FloatArray) -> bool:
    return bool(len(log_severity) and np.exp(np.ptp(log_severity)) > NARROW)


def _try_exponents(
    obs: Observations, log_severity: FloatArray, stratum: IntArray, draws: FloatArray, strata: int
) -> tuple[FloatArray, FloatArray]:
    """Return log likelihood (exponents, 1 + draws) and log B10 (exponents, 1 + draws, strata) at every exponent.

    Under life ∝ severity^(−b) the ages times severity^b are Weibull in every stratum; the density of an exact failure
    then carries a factor severity^b besides.
    """
    centered = log_severity - log_severity.mean()
    exact = np.bincount(obs.truck, obs.count * (obs.failed & ~obs.between) * centered, draws.shape[1])
    carried = np.concatenate([[exact.sum()], np.einsum("rt,t->r", draws, exact)])
    values, log_life = [], []
    for b in EXPONENTS:
        one, again = _fit_scaled(obs, np.exp(b * centered), stratum, draws, strata)
        values.append(np.concatenate([np.nansum(one[0], keepdims=True), np.nansum(again[0], axis=1)]) + b * carried)
        log_life.append(np.concatenate([one[1][None], again[1]]))
    return np.array(values), np.array(log_life)


def _fit_scaled(
    obs: Observations, factor: FloatArray, stratum: IntArray, draws: FloatArray, strata: int
) -> tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
    """Return log likelihood and log B10 by stratum of ages times ``factor``: as fitted, and under every draw."""
    scaled = replace(
        obs, entry=obs.entry * factor, exit=obs.exit * factor, lower=obs.lower * factor, upper=obs.upper * factor
    )
    one = fit_weibulls(scaled, stratum, strata=strata)
    again = resample_weibulls(scaled, stratum, strata=strata, truck_weights=draws)
    return (one.log_likelihood, np.log(one.life_at(0.10))), (again.log_likelihood, np.log(again.life_at(0.10)))


def _peak(values: FloatArray) -> FloatArray:
    """Return where each column of values over EXPONENTS is highest, between the points by a parabola."""
    top = np.argmax(values, axis=0)
    inner = np.clip(top, 1, len(EXPONENTS) - 2)
    columns = np.arange(values.shape[1])
    before, here, after = (values[inner + step, columns] for step in (-1, 0, 1))
    bend = before - 2 * here + after
    step = EXPONENTS[1] - EXPONENTS[0]
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, -1.0), 0.0)
    found = EXPONENTS[inner] + step * np.clip(shift, -1.0, 1.0)
    return np.asarray(np.where(top == inner, found, EXPONENTS[top]), dtype=np.float64)


def _between(log_life: FloatArray, exponent: FloatArray) -> FloatArray:
    """Return log life at each column's own exponent, on the straight line between the exponents tried."""
    step = EXPONENTS[1] - EXPONENTS[0]
    place = np.clip((exponent - EXPONENTS[0]) / step, 0, len(EXPONENTS) - 1)
    below = np.minimum(place.astype(np.int64), len(EXPONENTS) - 2)
    part = (place - below)[:, None]
    columns = np.arange(len(exponent))
    return np.asarray(log_life[below, columns] * (1 - part) + log_life[below + 1, columns] * part)


def compare_scales(
    lives: LoadLives,
    draws: FloatArray,
    within: WithinClasses | None,
    fitted: BoolArray,
    *,
    scale: str,
    level: float,
) -> list[tuple[object, ...]]:
    """Return the ratio of B10 lives of each fitted class to the reference on every life scale, rows as ``SCALES`` has.

    As read first, then in joint cycles (from miles), in cycles weighted by severity, and with severity as a covariate
    whose exponent was found within classes. The same draws of trucks serve all, so that a share's interval is that of
    the difference itself. A scale that some life's severity is missing for is left out.
    """
    factors = {scale: np.zeros(len(lives.code))}
    if scale == "miles":
        factors["joint_cycles"] = lives.log_turns
    factors["severity_cycles"] = lives.log_severity
    found: dict[str, tuple[FloatArray, FloatArray]] = {}
    for name, factor in factors.items():
        if np.isfinite(factor).all():
            one, again = _fit_scaled(lives.obs, np.exp(factor), lives.code, draws, len(lives.classes))
            found[name] = (one[1], again[1])
    if within is not None and np.isfinite(lives.log_severity).all():
        found["severity_covariate"] = (within.log_life, within.drawn_log_life)
    rows: list[tuple[object, ...]] = []
    failures = np.bincount(lives.code, lives.obs.count * lives.obs.failed, len(lives.classes))
    for number in range(1, len(lives.classes)):
        if fitted[number]:
            who = (lives.classes[number], lives.classes[0], round(failures[number]))
            named = {name: _contrast(values, number) for name, values in found.items()}
            rows += [
                (
                    *who,
                    name,
                    *_row(values, named[scale], level, base_itself=name == scale),
                )
                for name, values in named.items()
            ]
    return rows


def _contrast(log_life: tuple[FloatArray, FloatArray], number: int) -> tuple[float, FloatArray]:
    return float(log_life[0][number] - log_life[0][0]), log_life[1][:, number] - log_life[1][:, 0]


def _row(
    values: tuple[float, FloatArray], base: tuple[float, FloatArray], level: float, *, base_itself: bool
) -> tuple[float, ...]:
    """Return one ratio with its interval, and the share of the first one's log that is gone."""
    ratio = float(np.exp(values[0]))
    low, high = limits_of(np.exp(values[1]), ratio, level)
    first = limits_of(np.exp(base[1]), float(np.exp(base[0])), level)
    if base_itself or not (first[0] > 1 or first[1] < 1):  # a share of a difference that may be nothing has no meaning
        return ratio, low, high, np.nan, np.nan, np.nan
    share = 1 - values[0] / base[0]
    return ratio, low, high, share, *limits_of(1 - values[1] / base[1], share, level)


def limits_of(drawn: FloatArray, value: float, level: float) -> tuple[float, float]:
    """Return the ends of the interval of a value that was drawn again: NaN where fewer than half of them exist."""
    good = drawn[np.isfinite(drawn)]
    if len(good) < len(drawn) / 2:
        return np.nan, np.nan
    low, high = np.quantile(good, [(1 - level) / 2, (1 + level) / 2])
    return min(float(low), value), max(float(high), value)

"""What regrease practice does to the rate of measured wear: μ times (miles per stop over the usual)^κ.

The power κ is common to the classes of one kind of part, found by profile: for each κ the lines are fitted against ages
stretched by the part's own factor, the spreads as they are without practice, and judged by the likelihood without its
term for the fixed effects, which would change with the ages and not with the fit. It is taken only where the slope of
that profile at no effect is steeper than chance makes it: the parts of a class, in their order, are given one another's
practice, turned around by many distances (a randomisation test; parts of one truck stay together). The interval is
widened where these slopes spread more than the curvature says.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import minimize_scalar
from scipy.stats import norm

from wearlab.answers.wear_rates import Lines, Readings, fit_lines, judge_ages
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]

POWERS = (-1.0, 2.0)
STEP = 0.02  # for slope and curvature
TURNS = 79
CHANCE = 0.05
FEWEST_PARTS = 20
LEAST_RANGE = 1.3  # 95th over 5th percentile of miles per stop


@dataclass(frozen=True, slots=True)
class WearPractice:
    """κ with its limits; NaN where practice is not known widely enough. ``taken``: shown beyond chance, so used."""

    power: float
    low: float
    high: float
    p_value: float
    taken: bool


NOT_KNOWN = WearPractice(float("nan"), float("nan"), float("nan"), float("nan"), False)


def practised_by_life(history: History, lives: npt.NDArray[np.object_]) -> FloatArray:
    """Return each life's mean miles per regrease stop, by the length of its stretches; NaN where it is not known."""
    episodes = history.episodes
    if episodes.empty or history.scale != "miles":
        return np.full(len(lives), np.nan)
    known = episodes[episodes["life_id"].isin(lives) & episodes["practised_miles"].notna()]
    length = known["exit"] - known["entry"]
    sums = (known["practised_miles"] * length).groupby(known["life_id"]).sum()
    mean = sums / length.groupby(known["life_id"]).sum().where(lambda value: value > 0)
    return np.asarray(mean.reindex(pd.Index(lives)), dtype=np.float64)


def with_practice(readings: Readings, lines: Lines, practised: FloatArray, level: float) -> tuple[Lines, WearPractice]:
    """Return the lines with practice taken into their rates where it is shown, and what was found.

    ``practised``: miles per stop by part. Each part is held against the usual of its class; a part whose practice is
    not known counts as usual.
    """
    relative = _relative(practised, readings.part_class)
    known = np.isfinite(practised)
    if known.sum() < FEWEST_PARTS or float(np.ptp(np.quantile(relative[known], [0.05, 0.95]))) < np.log(LEAST_RANGE):
        return lines, NOT_KNOWN
    straight = replace(readings, value=lines.straighten(readings.value))

    def profile(power: float) -> float:
        return judge_ages(_stretch(straight, relative, power), lines)

    none = profile(0.0)
    if not np.isfinite(none):
        return lines, NOT_KNOWN
    best = float(minimize_scalar(lambda at: -profile(at), bounds=POWERS, method="bounded", options={"xatol": 1e-3}).x)
    bend = (profile(best + STEP) - 2 * profile(best) + profile(best - STEP)) / STEP**2
    error = 1.0 / np.sqrt(-bend) if bend < 0 else float("inf")
    slope, chance = _slope(straight, relative, lines), _chance_slopes(straight, relative, lines)
    spread = float(chance.std()) if len(chance) else float("inf")
    p_value = float((1 + (np.abs(chance) >= abs(slope)).sum()) / (1 + len(chance)))
    reach = min(float(norm.ppf(0.5 + level / 2)) * error * max(spread * error, 1.0), POWERS[1] - POWERS[0])
    low, high = best - reach, best + reach
    if p_value >= CHANCE:
        return lines, WearPractice(best, low, high, p_value, False)
    fitted = fit_lines(_stretch(straight, relative, best))
    if fitted is None:
        return lines, NOT_KNOWN
    factor = np.exp(best * relative)
    scale = np.stack([np.ones_like(factor), factor], axis=1)
    moved = replace(
        fitted,
        rate=fitted.rate * factor,
        covariance=fitted.covariance * scale[:, :, None] * scale[:, None, :],
        power=lines.power,
        middle=lines.middle,
    )
    return moved, WearPractice(best, low, high, p_value, True)


def _slope(readings: Readings, relative: FloatArray, lines: Lines) -> float:
    """Return the slope of the profile at no effect."""
    above, below = (judge_ages(_stretch(readings, relative, step), lines) for step in (STEP, -STEP))
    return (above - below) / (2 * STEP)


def _chance_slopes(readings: Readings, relative: FloatArray, lines: Lines) -> FloatArray:
    """Return the slopes with the parts of each class given one another's practice, in their order, turned around."""
    slopes = []
    for share in np.linspace(0.0, 1.0, TURNS + 2)[1:-1]:
        turned = relative.copy()
        for code in np.unique(readings.part_class):
            own = np.flatnonzero(readings.part_class == code)
            turned[own] = np.roll(relative[own], max(round(share * len(own)), 1))
        slopes.append(_slope(readings, turned, lines))
    return np.array([slope for slope in slopes if np.isfinite(slope)])


def _relative(practised: FloatArray, part_class: npt.NDArray[np.int64]) -> FloatArray:
    """Return ln of each part's miles per stop over the geometric mean of its class; 0 where not known."""
    logs = np.log(np.where(practised > 0, practised, np.nan))
    out = np.zeros(len(logs))
    for code in np.unique(part_class):
        own = (part_class == code) & np.isfinite(logs)
        out[own] = logs[own] - logs[own].mean() if own.any() else 0.0
    return out


def _stretch(readings: Readings, relative: FloatArray, power: float) -> Readings:
    return replace(readings, age=readings.age * np.exp(power * relative)[readings.part])

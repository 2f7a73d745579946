"""What a forecast takes from practice: stretches of life under one practice, and the pressure on their hazard."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import norm

from wearlab.answers.forecast.places import fittable_lives, name_strata
from wearlab.curves.practice import PracticeFit, fit_practice
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]

NOT_GREASED = ("boot", "center_bearing")
VAGUE = 0.5  # standard error of θ above which practice is left out: it would add more noise than it explains


@dataclass(frozen=True, slots=True)
class Effect:
    """Of one class: ln-hazard per unit of ln miles per stop, its standard error, and the miles at which it is 0."""

    theta: float
    error: float
    reference: float

    def pressure(self, practised: FloatArray) -> FloatArray:
        """Return the hazard multiplier (x/x_ref)^θ; 1 where practice is not known."""
        known = np.where(np.isfinite(practised) & (practised > 0), practised, self.reference)
        return np.asarray((known / self.reference) ** self.theta)


NO_EFFECT = Effect(0.0, 0.0, 1.0)


def learn_practice(history: History, component: str, level: float) -> dict[str, Effect]:
    """Return the effect of practice by duty cycle for a greased component; empty where the data cannot say."""
    if history.episodes.empty or component in NOT_GREASED:
        return {}
    fit = fit_practice(history.episodes, component=component, level=level, scale=history.scale)
    if not isinstance(fit, PracticeFit):
        return {}
    width = 2.0 * float(norm.ppf((1 + level) / 2))
    found = {}
    for effect in fit.effects:
        if effect.theta is None or effect.theta_low is None or effect.theta_high is None:
            continue
        error = (effect.theta_high - effect.theta_low) / width
        if error <= VAGUE:
            found[effect.duty_cycle] = Effect(effect.theta, error, effect.reference_miles)
    return found


def list_stretches(history: History, component: str, effects: dict[str, Effect]) -> pd.DataFrame:
    """Return the component's lives, or where practice matters their stretches, with ``practised`` and ``pressure``."""
    lives = fittable_lives(history)
    lives = lives[lives["component"] == component]
    if not effects:
        return lives.assign(pressure=1.0, practised=np.nan)
    known = history.episodes[history.episodes["life_id"].isin(lives["life_id"])]
    rows = name_strata(known).sort_values(["unit_id", "position", "life_id", "entry"], kind="stable")
    rows = rows[(rows["exit"] > rows["entry"]).to_numpy()]
    rows = rows.assign(count=1.0, practised=rows["practised_miles"])
    return rows.assign(pressure=press(rows, effects))


def press(rows: pd.DataFrame, effects: dict[str, Effect]) -> FloatArray:
    """Return the hazard multiplier of each row from its class and ``practised``; 1 for sealed parts."""
    out = np.ones(len(rows))
    for duty, effect in effects.items():
        own = (rows["duty_cycle"] == duty).to_numpy()
        out[own] = effect.pressure(rows["practised"].to_numpy(dtype=float)[own])
    out[is_sealed(rows)] = 1.0
    return out


def is_sealed(rows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return which rows are parts that no stop can grease."""
    if "hardware" not in rows:
        return np.zeros(len(rows), dtype=bool)
    return np.asarray(rows["hardware"].astype(object) == "sealed", dtype=bool)


def present_practice(history: History, places: pd.DataFrame) -> FloatArray:
    """Return the practised miles per stop of each place's truck in the last stretch seen; NaN where unknown.

    Of a truck that is yet to join: the median of its class.
    """
    if history.episodes.empty or places.empty:
        return np.full(len(places), np.nan)
    ordered = history.episodes.sort_values(["unit_id", "position", "exit_date", "exit"], kind="stable")
    last = ordered.groupby(["unit_id", "position"])["practised_miles"].last()
    key = pd.MultiIndex.from_frame(places[["unit_id", "position"]])
    now = pd.Series(last.reindex(key).to_numpy(dtype=float), index=places.index)
    if "joining" in places:
        usual = now.groupby(places["duty_cycle"]).transform("median")
        now = now.where(~places["joining"].to_numpy(dtype=bool), usual)
    return np.asarray(now.to_numpy(dtype=float))

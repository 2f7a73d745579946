"""Measured wear beside the forecast from lives, part by part, and whether the two together see more than lives alone.

For each measured part: its chance of failing over the months ahead as its life curve has it, and its chance of being
past its wear limit by then as its readings have it. On earlier days both are worked out from what was known then and
held against what happened. Together they are ln odds = a + b·ln odds(lives) + c·ln odds(wear), fitted by maximum
likelihood on the days before and tried on the day after. They are combined only where the combination's Brier score is
better by more than chance than that of lives alone, as they stand and corrected by a and b in the same way: the mean
gain over its standard error, trucks as units, above NEEDED.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import minimize
from scipy.stats import norm, rankdata

from wearlab.answers.forecast import Forecast, forecast_failures
from wearlab.answers.wear import Wear, measure_wear
from wearlab.evidence import SAFETY, Basis, Caution, Unanswered, add_cautions
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[str], None]

DAYS_PER_MONTH = 365.25 / 12.0
FEWEST_FAILURES = 20  # on the days before, to learn a combination from
NEEDED = float(norm.ppf(0.95))
FARTHEST = 12.0  # ln odds beyond which a chance is as good as certain
RIDGE = 1e-3
METHODS = {
    "lives": "chance_by_lives",
    "lives_corrected": "chance_corrected",
    "wear": "chance_by_wear",
    "together": "chance_together",
}


@dataclass(frozen=True, slots=True)
class Beside:
    """Lives and wear side by side.

    ``beside``: each measured part in service with its chance by lives, by wear, and together where that was shown to
    be better (``combined``), and beside the ``miles_to_limit`` the miles to failure by lives (``miles_by_lives``: half
    of such parts on such trucks last longer). ``tried``: each method on the earlier days, on the same parts: failures,
    Brier score (smaller is better) and concordance, and what ``together`` gains over it in Brier score with its
    standard error.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    beside: pd.DataFrame
    tried: pd.DataFrame
    combined: bool

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {"beside": self.beside, "tried": self.tried}


def set_beside(
    history: History,
    rebuild: Callable[[date], History],
    days: tuple[date, ...],
    *,
    months: int,
    level: float,
    seed: int,
    progress: Progress,
) -> Beside | Unanswered:
    """Return the chances of every measured part by lives and by wear over ``months``, both tried on earlier ``days``.

    ``rebuild(day)`` returns the history as it was known on that day. Unanswered: no measured part with a limit, or no
    forecast.
    """
    now = _chances(history, months, level, seed, progress)
    if isinstance(now, Unanswered):
        return now
    trials = []
    for day in sorted(days):
        progress(f"wear and lives as of {day}")
        then = _chances(rebuild(day), months, level, seed, progress)
        if not isinstance(then, Unanswered):
            trials.append(then.assign(day=day, failed=_failed(then, history, day, months)))
    tried = _learn_by_day(trials)
    rows, combined = _judge(tried)
    table = now.assign(chance_together=np.nan)
    if combined:
        table["chance_together"] = _join(now, _learn(pd.concat(trials, ignore_index=True)))
    cautions = add_cautions(history.cautions, _say(rows, combined), (SAFETY,))
    order = ["chance_by_wear", "chance_by_lives", "unit_id", "position"]
    table = table.sort_values(order, ascending=[False, False, True, True], kind="stable", ignore_index=True)
    return Beside(replace(history.basis, level=level), cautions, table, rows, combined)


def _chances(history: History, months: int, level: float, seed: int, progress: Progress) -> pd.DataFrame | Unanswered:
    """Return one row per measured part in service: its chance by lives and by wear."""
    wear = measure_wear(history, level=level, months=months)
    if isinstance(wear, Unanswered):
        return wear
    made = forecast_failures(history, months=months, ahead=None, level=level, seed=seed, progress=progress)
    if isinstance(made, Unanswered):
        return made
    parts = _worst(wear)
    key = ["unit_id", "position"]
    lives = made.units.assign(chance_by_lives=made.units["probability"], miles_by_lives=_median_left(made))
    if history.scale != "miles":
        lives["miles_by_lives"] = np.nan
    table = parts.merge(lives[[*key, "miles_by_lives", "chance_by_lives"]], on=key)
    if table.empty:
        text = "no part in service has both readings with a limit and a life of its kind"
        return Unanswered(history.basis, history.cautions, "nothing-beside", text, "give limits in fleet.toml")
    return table


def _median_left(made: Forecast) -> FloatArray:
    """Return how much further half of such parts go: by the class's curve, at the hazard that the part's chance tells.

    The chance over the way ahead gives the part's multiple of its class's hazard, and that the median.
    """
    names = ["component", "duty_cycle"]
    curves = made.curves.set_index(names)[["beta", "eta"]].reindex(pd.MultiIndex.from_frame(made.units[names]))
    beta, eta = curves["beta"].to_numpy(dtype=float), curves["eta"].to_numpy(dtype=float)
    age, ahead = made.units["age"].to_numpy(dtype=float), made.units["ahead"].to_numpy(dtype=float)
    chance = np.clip(made.units["probability"].to_numpy(dtype=float), 1e-12, 1 - 1e-12)
    with np.errstate(divide="ignore", invalid="ignore"):
        multiple = -np.log1p(-chance) / (((age + ahead) / eta) ** beta - (age / eta) ** beta)
        return np.asarray(eta * ((age / eta) ** beta + np.log(2.0) / multiple) ** (1.0 / beta) - age)


def _worst(wear: Wear) -> pd.DataFrame:
    """Return each part's quantity that is likeliest past its limit by the end of the months."""
    names = ["unit_id", "position", "component", "duty_cycle", "quantity", "latest", "limit", "miles_to_limit"]
    parts = wear.parts[[*names, "chance_past_ahead"]].rename(columns={"chance_past_ahead": "chance_by_wear"})
    table = parts[parts["chance_by_wear"].notna()]
    table = table.sort_values(["unit_id", "position", "chance_by_wear"], kind="stable")
    return table.groupby(["unit_id", "position"], sort=False).tail(1).reset_index(drop=True)


def _failed(parts: pd.DataFrame, actual: History, day: date, months: int) -> FloatArray:
    """Return 1 where a part failed at the place in (day, day + months]."""
    ended = pd.to_datetime(actual.lives["end_date"])
    end = pd.Timestamp(day) + pd.Timedelta(days=round(months * DAYS_PER_MONTH))
    inside = actual.lives["failed"].to_numpy(dtype=bool) & ((ended > pd.Timestamp(day)) & (ended <= end)).to_numpy()
    seen = pd.MultiIndex.from_frame(actual.lives.loc[inside, ["unit_id", "position"]])
    here = pd.MultiIndex.from_frame(parts[["unit_id", "position"]])
    return np.asarray(here.isin(seen), dtype=np.float64)


def _odds(chance: pd.Series) -> FloatArray:
    p = chance.to_numpy(dtype=float)
    with np.errstate(divide="ignore"):
        return np.asarray(np.clip(np.log(p) - np.log1p(-np.minimum(p, 1.0)), -FARTHEST, FARTHEST))


def _learn(table: pd.DataFrame, *, wear: bool = True) -> FloatArray:
    """Return (a, b, c) of greatest likelihood, held near (0, 1, 0) by a small ridge; c = 0 without ``wear``."""
    of_wear = _odds(table["chance_by_wear"]) if wear else np.zeros(len(table))
    x = np.stack([np.ones(len(table)), _odds(table["chance_by_lives"]), of_wear], axis=1)
    y, start = table["failed"].to_numpy(dtype=float), np.array([0.0, 1.0, 0.0])

    def lost(at: FloatArray) -> float:
        z = x @ at
        return float((np.logaddexp(0.0, z) - y * z).sum() + RIDGE * ((at - start) ** 2).sum())

    return np.asarray(minimize(lost, start, method="BFGS").x, dtype=np.float64)


def _join(table: pd.DataFrame, learnt: FloatArray) -> FloatArray:
    z = learnt[0] + learnt[1] * _odds(table["chance_by_lives"]) + learnt[2] * _odds(table["chance_by_wear"])
    return np.asarray(1.0 / (1.0 + np.exp(-z)))


def _learn_by_day(trials: list[pd.DataFrame]) -> pd.DataFrame:
    """Return the days on which a combination learnt on the days before could be tried."""
    tried = []
    for number in range(1, len(trials)):
        before = pd.concat(trials[:number], ignore_index=True)
        if before["failed"].sum() >= FEWEST_FAILURES:
            both, alone = _learn(before), _learn(before, wear=False)
            here = trials[number]
            tried.append(here.assign(chance_together=_join(here, both), chance_corrected=_join(here, alone)))
    return pd.concat(tried, ignore_index=True) if tried else pd.DataFrame()


def _judge(tried: pd.DataFrame) -> tuple[pd.DataFrame, bool]:
    """Return the methods' scores on the same parts and days, and whether the combination is better beyond chance."""
    names = ["method", "days", "parts", "failures", "brier", "concordance", "gain", "gain_error"]
    if tried.empty:
        return pd.DataFrame(columns=names), False
    failed = tried["failed"].to_numpy(dtype=float)
    lost = {name: (tried[column].to_numpy(dtype=float) - failed) ** 2 for name, column in METHODS.items()}
    rows, better = [], True
    for name, column in METHODS.items():
        gain = lost[name] - lost["together"]
        by_truck = pd.Series(gain).groupby(tried["unit_id"].to_numpy()).sum()
        error = float(by_truck.std(ddof=1) * np.sqrt(len(by_truck)) / len(tried)) if len(by_truck) > 1 else np.nan
        if name in ("lives", "lives_corrected"):
            better &= bool(error > 0 and gain.mean() > NEEDED * error)
        other = name != "together"
        rows.append(
            {
                "method": name,
                "days": tried["day"].nunique(),
                "parts": len(tried),
                "failures": float(failed.sum()),
                "brier": float(lost[name].mean()),
                "concordance": _concordance(tried[column].to_numpy(dtype=float), failed > 0),
                "gain": float(gain.mean()) if other else np.nan,
                "gain_error": error if other else np.nan,
            }
        )
    return pd.DataFrame(rows, columns=names), better


def _concordance(chance: FloatArray, failed: npt.NDArray[np.bool_]) -> float:
    ones, zeros = int(failed.sum()), int((~failed).sum())
    if ones == 0 or zeros == 0:
        return float("nan")
    ranks = rankdata(np.round(chance, 12))
    return float((ranks[failed].sum() - ones * (ones + 1) / 2) / (ones * zeros))


def _say(rows: pd.DataFrame, combined: bool) -> tuple[Caution, ...]:
    if rows.empty:
        text = (
            "Wear and lives stand side by side, not combined: too few measured parts failed on earlier days to try it."
        )
        return (Caution("wear-not-tried", text),)
    scores = rows.set_index("method")["brier"]
    said = f"Brier score {scores['together']:.4f} together, {scores['lives']:.4f} by lives alone"
    if combined:
        text = f"Wear and lives are combined: on earlier days that was better beyond chance ({said})."
        return (Caution("wear-combined", text),)
    text = f"Wear and lives are not combined: on earlier days that was not better beyond chance ({said})."
    return (Caution("wear-not-combined", text),)

"""The forecast tried on the past: made again from what was known then, held against what happened and two rivals."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import beta as beta_distribution
from scipy.stats import rankdata

from wearlab.answers.forecast.ahead import Forecast, forecast_failures
from wearlab.answers.forecast.places import DAYS_PER_MONTH, name_strata
from wearlab.answers.forecast.strata import Progress
from wearlab.answers.forecast.sums import name_group
from wearlab.evidence import SAFETY, Basis, Caution, Unanswered, add_cautions
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]

RISK_GROUPS = 10
METHODS = ("forecast", "class_rate", "last_year")
# what the forecast must do better in: smaller (1) or greater (-1) is better
RIVALRY = (("mean_absolute_error", "total count", 1), ("brier", "Brier score", 1), ("concordance", "ranking", -1))


@dataclass(frozen=True, slots=True)
class Backtest:
    """Forecasts of earlier days beside what happened.

    ``backtest`` one row per day; ``groups`` the same by component and duty cycle; ``rivals`` the mean absolute error,
    Brier score and concordance of the forecast, of the class's plain failure rate and of last year's count;
    ``calibration`` parts in ten groups of rising forecast risk, all days together.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    backtest: pd.DataFrame
    groups: pd.DataFrame
    rivals: pd.DataFrame
    calibration: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {
            "backtest": self.backtest,
            "groups": self.groups,
            "rivals": self.rivals,
            "calibration": self.calibration,
        }


@dataclass(frozen=True, slots=True)
class _Trial:
    """One day's forecast with what happened and what the rivals said, part by part."""

    day: date
    forecast: Forecast
    parts: pd.DataFrame  # forecast.units with failures, by_rate, by_last_year


def backtest_forecast(
    rebuild: Callable[[date], History],
    days: tuple[date, ...],
    *,
    months: int,
    level: float,
    seed: int,
    actual: History,
    progress: Progress,
) -> Backtest | Unanswered:
    """Return the forecasts of earlier ``days`` held against ``actual``.

    ``rebuild(day)`` returns the history as it was known on that day; nothing later may enter it. Observed are the
    failures found at the forecast's places in (day, day + months]; a day whose window is not over is left out.
    Unanswered: no day with a whole window, or no forecast on any day.
    """
    trials: list[_Trial] = []
    cautions: tuple[Caution, ...] = ()
    for day in sorted(days):
        if actual.as_of is None or _end(day, months) > pd.Timestamp(actual.as_of):
            text = f"{day}: its {months} months are not over yet, so it is left out of the back-test."
            cautions += (Caution("window-not-over", text),)
            continue
        progress(f"forecasting as of {day}")
        then = rebuild(day)
        made = forecast_failures(then, months=months, ahead=None, level=level, seed=seed, progress=progress)
        if isinstance(made, Unanswered):
            cautions += (Caution("no-forecast-then", f"{day}: {made.text}."),)
            continue
        trials.append(_Trial(day, made, _hold_against(made, then, actual, day, months)))
    cautions = add_cautions(actual.cautions, cautions)
    if not trials:
        text = "no earlier day has both a forecast and a whole window after it"
        fix = "a longer record, or fewer months"
        return Unanswered(actual.basis, add_cautions(cautions, (SAFETY,)), "no-backtest", text, fix)
    rivals = _score(trials)
    table = pd.DataFrame([_trial_row(trial) for trial in trials])
    found = (*_verdict(rivals, table, level), *_not_placed(trials, actual, months))
    cautions = add_cautions(cautions, found, (SAFETY,))
    groups = pd.concat([_group_rows(trial) for trial in trials], ignore_index=True)
    basis = replace(actual.basis, level=level)
    return Backtest(basis, cautions, table, groups, rivals, _calibration(trials, level))


def _end(day: date, months: int) -> pd.Timestamp:
    return pd.Timestamp(day) + pd.Timedelta(days=round(months * DAYS_PER_MONTH))


def _hold_against(made: Forecast, then: History, actual: History, day: date, months: int) -> pd.DataFrame:
    """Return the forecast's parts with their failures in the window and the rivals' expected counts."""
    failed = actual.lives[actual.lives["failed"].to_numpy(dtype=bool)]
    ended = pd.to_datetime(failed["end_date"])
    inside = failed[(ended > pd.Timestamp(day)) & (ended <= _end(day, months))]
    seen = inside.groupby(["unit_id", "position"]).size()
    parts = made.units
    key = pd.MultiIndex.from_frame(parts[["unit_id", "position"]])
    rates, last = _rival_rates(then, day)
    stratum = pd.MultiIndex.from_frame(name_strata(parts)[["component", "duty_cycle"]])
    per_part = last.reindex(stratum).fillna(0.0).to_numpy() * months / 12.0
    per_part = (
        per_part / parts.groupby(["component", "duty_cycle"], dropna=False)["unit_id"].transform("size").to_numpy()
    )
    return parts.assign(
        failures=seen.reindex(key).fillna(0).to_numpy(dtype=float),
        by_rate=rates.reindex(stratum).fillna(0.0).to_numpy() * parts["ahead"].to_numpy(),
        by_last_year=per_part,
    )


def _rival_rates(then: History, day: date) -> tuple[pd.Series, pd.Series]:
    """Return failures per unit of age, and failures of the year before the day, by component and duty cycle."""
    lives = name_strata(then.lives)
    failed = lives["failed"].to_numpy(dtype=bool)
    fittable = lives["fittable"].to_numpy(dtype=bool)
    names = ["component", "duty_cycle"]
    exposed = lives.assign(exposure=np.where(fittable, lives["exit"] - lives["entry"], 0.0), failure=1.0 * failed)
    sums = exposed.groupby(names)[["exposure", "failure"]].sum()
    recent = failed & (pd.to_datetime(lives["end_date"]) > pd.Timestamp(day) - pd.Timedelta(days=365)).to_numpy()
    last = lives[recent].groupby(names).size().astype(float)
    return sums["failure"] / sums["exposure"].where(sums["exposure"] > 0), last


def _trial_row(trial: _Trial) -> dict[str, object]:
    total, parts = trial.forecast.totals.iloc[0], trial.parts
    observed = float(parts["failures"].sum())
    scores = {name: _scores(parts, name) for name in METHODS}
    return {
        "as_of": trial.day,
        "expected": float(total["expected"]),
        "low": float(total["low"]),
        "high": float(total["high"]),
        "observed": observed,
        "covered": bool(total["low"] <= observed <= total["high"]),
        "expected_by_rate": float(parts["by_rate"].sum()),
        "expected_by_last_year": float(parts["by_last_year"].sum()),
        "brier": scores["forecast"][0],
        "brier_by_rate": scores["class_rate"][0],
        "brier_by_last_year": scores["last_year"][0],
        "concordance": scores["forecast"][1],
        "concordance_by_rate": scores["class_rate"][1],
        "parts": len(parts),
    }


def _group_rows(trial: _Trial) -> pd.DataFrame:
    totals = trial.forecast.totals.iloc[1:]
    named = name_strata(trial.parts)
    group = [name_group((c, d)) for c, d in zip(named["component"], named["duty_cycle"], strict=True)]
    observed = trial.parts["failures"].groupby(pd.Series(group, index=trial.parts.index)).sum()
    seen = observed.reindex(totals["group"]).fillna(0.0).to_numpy(dtype=float)
    covered = (totals["low"] <= seen) & (seen <= totals["high"])
    table = totals[["group", "component", "duty_cycle", "expected", "low", "high"]].assign(
        observed=seen, covered=covered
    )
    table.insert(0, "as_of", trial.day)
    return table


def _chance(parts: pd.DataFrame, method: str) -> FloatArray:
    if method == "forecast":
        return parts["probability"].to_numpy(dtype=float)
    column = "by_rate" if method == "class_rate" else "by_last_year"
    return np.asarray(-np.expm1(-parts[column].to_numpy(dtype=float)))


def _scores(parts: pd.DataFrame, method: str) -> tuple[float, float]:
    """Return the Brier score (Brier 1950) and the concordance, the share of pairs ranked rightly (NaN if none)."""
    chance, failed = _chance(parts, method), parts["failures"].to_numpy(dtype=float) > 0
    brier = float(((chance - failed) ** 2).mean())
    ones, zeros = int(failed.sum()), int((~failed).sum())
    if ones == 0 or zeros == 0:
        return brier, float("nan")
    ranks = rankdata(np.round(chance, 12))
    return brier, float((ranks[failed].sum() - ones * (ones + 1) / 2) / (ones * zeros))


def _score(trials: list[_Trial]) -> pd.DataFrame:
    """Return the mean absolute error over days, Brier score and concordance of the forecast and its rivals."""
    columns = {"forecast": "expected", "class_rate": "by_rate", "last_year": "by_last_year"}
    rows = []
    for method, column in columns.items():
        errors = [abs(t.parts[column].sum() - t.parts["failures"].sum()) for t in trials]
        scores = np.array([_scores(t.parts, method) for t in trials])
        known = scores[:, 1][np.isfinite(scores[:, 1])]
        rows.append(
            {
                "method": method,
                "mean_absolute_error": float(np.mean(errors)),
                "brier": float(scores[:, 0].mean()),
                "concordance": float(known.mean()) if len(known) else np.nan,
            }
        )
    return pd.DataFrame(rows)


def _verdict(rivals: pd.DataFrame, table: pd.DataFrame, level: float) -> tuple[Caution, ...]:
    """Say plainly where the forecast does not beat a rival, and how often its interval held."""
    own, found = rivals.iloc[0], []
    names = {"class_rate": "the class's plain failure rate", "last_year": "last year's count"}
    for _, rival in rivals.iloc[1:].iterrows():
        worse = [label for column, label, sign in RIVALRY if sign * own[column] >= sign * rival[column]]
        if worse:
            text = f"On this record the forecast does not beat {names[str(rival['method'])]} in {' and '.join(worse)}."
            found.append(Caution("rival-as-good", text))
    held = int(table["covered"].sum())
    text = (
        f"What happened lay within the {100 * level:.0f} % range of {held} of {len(table)} "
        f"{'forecast' if len(table) == 1 else 'forecasts'} made on earlier days; few days prove little."
    )
    return (*found, Caution("backtest-coverage", text))


def _not_placed(trials: list[_Trial], actual: History, months: int) -> tuple[Caution, ...]:
    """Count the replacements in the windows that do not say which part: failures that may have happened unseen."""
    lost = actual.lives[(actual.lives["ending"] == "position_unknown").to_numpy()]
    ended = pd.to_datetime(lost["end_date"])
    inside = np.zeros(len(lost), dtype=bool)
    for trial in trials:
        inside |= ((ended > pd.Timestamp(trial.day)) & (ended <= _end(trial.day, months))).to_numpy()
    orders = len(lost[inside].drop_duplicates(["unit_id", "component", "end_date"]))
    if not orders:
        return ()
    text = (
        f"{orders} replacements in these windows do not say which part was changed: where one was a failure it was "
        "forecast but is not among what happened."
    )
    return (Caution("backtest-not-placed", text),)


def _calibration(trials: list[_Trial], level: float) -> pd.DataFrame:
    """Return parts in groups of rising forecast chance: how many failed at least once, against how many should have."""
    parts = pd.concat([trial.parts for trial in trials], ignore_index=True)
    parts = parts.sort_values(["probability", "unit_id", "position"], kind="stable").reset_index(drop=True)
    group = np.arange(len(parts)) * RISK_GROUPS // max(len(parts), 1)
    rows = []
    for number in np.unique(group):
        here = parts[group == number]
        failed, count = int((here["failures"] > 0).sum()), len(here)
        low, high = _share_ends(failed, count, level)
        expected = float(here["probability"].sum())
        rows.append(
            {
                "risk_group": int(number) + 1,
                "parts": count,
                "expected": expected,
                "observed": failed,
                "share_expected": expected / count,
                "share_observed": failed / count,
                "share_low": low,
                "share_high": high,
            }
        )
    return pd.DataFrame(rows)


def _share_ends(failed: int, count: int, level: float) -> tuple[float, float]:
    """Return the exact interval of a share (Clopper & Pearson 1934)."""
    low = float(beta_distribution.ppf((1 - level) / 2, failed, count - failed + 1)) if failed else 0.0
    high = float(beta_distribution.ppf((1 + level) / 2, failed + 1, count - failed)) if failed < count else 1.0
    return low, high

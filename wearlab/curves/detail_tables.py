"""What stands behind the fits, as tables: checks, points on Weibull paper, failure modes, repeated failures."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.curves.checks import Checks
from wearlab.curves.counted import ENOUGH_WATCHED, beyond, thin_until, watch_from
from wearlab.curves.incidence import count_incidence, count_part
from wearlab.curves.modes import judge_mode
from wearlab.curves.observations import Observations
from wearlab.curves.places import chain_lives
from wearlab.curves.quality import rank_failures
from wearlab.curves.recurrence import count_mean_number, find_trend
from wearlab.curves.strata import Stratum
from wearlab.curves.stratum import Fit, Unfitted

SHOWN_AGES = 11


def table_checks(columns: tuple[str, ...], checked: tuple[tuple[Stratum, Checks], ...]) -> pd.DataFrame:
    """Return the checks of each fit: straightness, rival curves, a second population, successive parts."""
    names = [
        *columns,
        *("straightness_p", "bend", "aic_weibull", "aic_exponential", "aic_lognormal", "chosen_by_aic"),
        *("early_share", "early_beta", "early_eta", "rest_beta", "rest_eta"),
        *("first_failures", "later_failures", "later_hazard_ratio", "later_hazard_ratio_low"),
        *("later_hazard_ratio_high", "later_p"),
    ]
    return pd.DataFrame([dict(stratum) | _checks(found) for stratum, found in checked], columns=names)


def _checks(found: Checks) -> dict[str, object]:
    row: dict[str, object] = {}
    if found.straightness is not None:
        row |= {"straightness_p": found.straightness.p_value, "bend": found.straightness.bend}
    if found.rivals is not None:
        rivals = found.rivals
        row |= {"aic_weibull": rivals.weibull, "aic_exponential": rivals.exponential, "aic_lognormal": rivals.lognormal}
        row["chosen_by_aic"] = rivals.chosen
    if found.two_populations is not None:
        two = found.two_populations
        row |= {"early_share": two.early_share, "early_beta": two.early.shape, "early_eta": two.early.eta}
        row |= {"rest_beta": two.rest.shape, "rest_eta": two.rest.eta}
    if found.successive is not None:
        later = found.successive
        row |= {"first_failures": later.first_failures, "later_failures": later.later_failures}
        row |= {"later_hazard_ratio": later.ratio, "later_hazard_ratio_low": later.low}
        row |= {"later_hazard_ratio_high": later.high, "later_p": later.p_value}
    return row


def table_paper(columns: tuple[str, ...], items: tuple[Fit | Unfitted, ...]) -> pd.DataFrame:
    """Return the failures on Weibull paper: x = ln age, y = ln(−ln(1 − share)); ``line`` is the fitted curve there."""
    names = [*columns, "age", "rank", "failed_share", "x", "y", "line"]
    frames = []
    for item in items:
        if isinstance(item, Fit):
            points = rank_failures(item.observations, item.curve, exact=False)
            x = np.log(points.age)
            frame = {"age": points.age, "rank": points.rank, "failed_share": points.failed_share, "x": x}
            frame |= {
                "y": np.log(-np.log1p(-points.failed_share)),
                "line": item.curve.shape * (x - np.log(item.curve.eta)),
            }
            frames.append(_with_stratum(pd.DataFrame(frame), item.stratum))
    return pd.concat(frames, ignore_index=True)[names] if frames else pd.DataFrame(columns=names)


def _with_stratum(frame: pd.DataFrame, stratum: Stratum) -> pd.DataFrame:
    for name, value in reversed(stratum):
        frame.insert(0, name, pd.Series([value] * len(frame), dtype=object, index=frame.index))
    return frame


def tables_modes(
    columns: tuple[str, ...], parts: list[tuple[Fit | Unfitted, npt.NDArray[np.object_]]], *, level: float
) -> dict[str, pd.DataFrame]:
    """Return ``modes`` (failures of each mode, whether grease bears on it), ``incidence`` (shares by age), ``grease``.

    ``grease``: the share of failures by an age that a regrease interval can bear on, of those whose mode tells. Where
    the first ages are watched by too few lives, shares count from ``from_age`` on. Empty where no failure has a mode.
    """
    modes, incidence, grease = [], [], []
    for item, mode in parts:
        obs = item.observations
        known = np.array([isinstance(name, str) for name in mode]) & obs.failed
        if not known.any():
            continue
        named = np.where(obs.failed & ~known, "not recorded", mode)
        modes += _count_modes(item, named)
        start = thin_until(obs)
        watched, named = watch_from(obs, start), named[beyond(obs, start)]
        ages = np.linspace(0.0, float(obs.exit.max()), SHOWN_AGES)[1:]
        for found in count_incidence(watched, named, ages[ages > start], level=level):
            shares = pd.DataFrame({"age": found.age, "share": found.share})
            shares = shares.assign(share_low=found.low, share_high=found.high, from_age=start)
            shares.insert(0, "mode", found.mode)
            incidence.append(_with_stratum(shares, item.stratum))
        grease += _share_of_grease(item, watched, named, level)
    names = [*columns, "mode", "failures", "share_of_failures", "grease_bears_on_it"]
    shown = [*columns, "mode", "age", "share", "share_low", "share_high", "from_age"]
    ends = [f"grease_share{end}" for end in ("", "_low", "_high")]
    return {
        "modes": pd.DataFrame(modes, columns=names),
        "incidence": pd.concat(incidence, ignore_index=True)[shown] if incidence else pd.DataFrame(columns=shown),
        "grease": pd.DataFrame(grease, columns=[*columns, "by_age", "failures", *ends, "mode_not_telling"]),
    }


def _count_modes(item: Fit | Unfitted, named: npt.NDArray[np.object_]) -> list[dict[str, object]]:
    obs = item.observations
    rows: list[dict[str, object]] = []
    for mode in sorted({str(name) for name in named[obs.failed]}):
        failures = round(float(obs.count[obs.failed & (named == mode)].sum()))
        row = {"mode": mode, "failures": failures, "share_of_failures": failures / max(item.failures, 1)}
        rows.append(dict(item.stratum) | row | {"grease_bears_on_it": judge_mode(mode)})
    return rows


def _share_of_grease(
    item: Fit | Unfitted, obs: Observations, named: npt.NDArray[np.object_], level: float
) -> list[dict[str, object]]:
    """Return the share of failures that grease bears on, by the oldest age at which five lives are still watched."""
    judged = np.array([judge_mode(str(name)) for name in named], dtype=object)
    bears, not_ = obs.failed & (judged == "yes"), obs.failed & (judged == "no")
    age = float(np.sort(obs.exit)[-ENOUGH_WATCHED:][0])
    part = count_part(obs, bears, not_, age, level=level)
    if part is None:
        return []
    silent = float(obs.count[obs.failed & ~bears & ~not_].sum()) / max(float(obs.count[obs.failed].sum()), 1.0)
    row: dict[str, object] = {"by_age": part.age, "failures": part.failures, "grease_share": part.share}
    row |= {"grease_share_low": part.low, "grease_share_high": part.high, "mode_not_telling": silent}
    return [dict(item.stratum) | row]


def tables_recurrence(lives: pd.DataFrame, *, level: float) -> dict[str, pd.DataFrame]:
    """Return ``recurrence`` (mean number of failures per place by age of the place) and ``trend``, by component.

    Only components in which some place has had two failures; zero-length lives count here.
    """
    means, trends = [], []
    for component, rows in lives.groupby(lives["component"].astype(object), dropna=False, sort=True):
        places = chain_lives(rows)
        if places is None or not len(places.place) or np.bincount(places.place).max() < 2:
            continue
        name = component if isinstance(component, str) else None
        ages = np.linspace(0.0, float(places.window.end.max()), SHOWN_AGES)[1:]
        mean = count_mean_number(places.window, places.place, places.age, ages, level=level)
        frame = {
            "age": mean.age,
            "mean_number": mean.number,
            "mean_number_low": mean.low,
            "mean_number_high": mean.high,
        }
        frame["at_risk"] = mean.at_risk
        means.append(_with_stratum(pd.DataFrame(frame), (("component", name),)))
        trend = find_trend(places.window, places.place, places.age)
        if trend is not None:
            row = {"component": name, "places": len(places.window.end), "failures": trend.events, "beta": trend.beta}
            trends.append(row | {"z": trend.z, "p_value": trend.p_value})
    shown = ["component", "age", "mean_number", "mean_number_low", "mean_number_high", "at_risk"]
    return {
        "recurrence": pd.concat(means, ignore_index=True)[shown] if means else pd.DataFrame(columns=shown),
        "trend": pd.DataFrame(trends, columns=["component", "places", "failures", "beta", "z", "p_value"]),
    }

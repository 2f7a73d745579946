"""One part's failure as the start of another's: a torn boot lets water into the slip spline under it."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearlab.curves.batch import fit_weibulls
from wearlab.curves.observations import BoolArray, Observations, make_observations
from wearlab.curves.stratum import SEVERAL
from wearlab.curves.successive import Successive, compare_successive
from wearlab.curves.weibull import Weibull

PAIRS = (("boot", "slip_spline"),)  # (what failed first, what it exposes); common practice, no source


@dataclass(frozen=True, slots=True)
class Consequence:
    """The hazard of the exposed part after a failure of its guard, over that before, on the same trucks.

    ``change`` counts failures before and after in its ``first_failures`` and ``later_failures``; None where either is
    too few.
    """

    cause: str
    effect: str
    exposed_lives: int
    change: Successive | None


def find_consequence(lives: pd.DataFrame, cause: str, effect: str, *, level: float) -> Consequence | None:
    """Return what a failure of ``cause`` on a shaft does to ``effect`` on it afterwards; None where nothing is exposed.

    A time-varying covariate: each life of ``effect`` is split at the first failure of ``cause`` on its truck and shaft
    within it, so that the age before counts as unexposed; reading the whole life as exposed would credit the exposed
    with having lived long enough to be so. Failures of both on one day are no exposure. The age at the split is read
    from the dates.
    """
    parts = lives[lives["fittable"].to_numpy(dtype=bool) & (lives["component"] == effect).to_numpy(dtype=bool)]
    guards = lives[(lives["component"] == cause).to_numpy(dtype=bool) & lives["failed"].to_numpy(dtype=bool)]
    if parts.empty or guards.empty or parts["end_date"].isna().all():
        return None
    cut = _age_at_first(parts, guards)
    exposed = np.isfinite(cut)
    if not exposed.any():
        return None
    obs, after = _split(parts, cut)
    plain = fit_weibulls(obs, np.zeros(len(obs), dtype=np.int64), strata=1)
    if not plain.converged[0]:
        return Consequence(cause, effect, int(exposed.sum()), None)
    curve = Weibull(float(plain.shape[0]), float(np.exp(plain.log_eta[0])))
    several = int((parts["unit_id"].value_counts() > 1).sum()) >= SEVERAL
    change = compare_successive(obs, after, curve, level=level, spread=several)
    return Consequence(cause, effect, int(exposed.sum()), change)


def _age_at_first(parts: pd.DataFrame, guards: pd.DataFrame) -> np.ndarray:
    """Return the age of each life at the first failure of its guard after its fitting, NaN where there is none."""
    failures = guards.groupby([guards["unit_id"], guards["shaft"].fillna("")])["end_date"].agg(list).to_dict()
    start, end = pd.to_datetime(parts["start_date"]), pd.to_datetime(parts["end_date"])
    cut = np.full(len(parts), np.nan)
    places = zip(parts["unit_id"], parts["shaft"].fillna(""), start, end, parts["exit"], strict=True)
    for row, (unit, shaft, begin, finish, age) in enumerate(places):
        dates = [pd.Timestamp(day) for day in failures.get((unit, shaft), [])]
        within = sorted(day for day in dates if begin < day < finish)
        if within:
            cut[row] = float(age) * ((within[0] - begin) / (finish - begin))
    return cut


def _split(parts: pd.DataFrame, cut: np.ndarray) -> tuple[Observations, BoolArray]:
    """Return the lives in stretches before and after exposure, and which are after."""
    entry, exit_ = parts["entry"].to_numpy(dtype=float), parts["exit"].to_numpy(dtype=float)
    failed = parts["failed"].to_numpy(dtype=bool)
    lower, upper = parts["lower"].to_numpy(dtype=float), parts["upper"].to_numpy(dtype=float)
    between = failed & (lower < upper)
    exit_ = np.where(between, 0.5 * (np.maximum(lower, entry) + upper), exit_)
    truck = np.unique(parts["unit_id"].astype(str), return_inverse=True)[1]
    reached = np.isfinite(cut)
    end_before = np.where(reached, np.minimum(cut, exit_), exit_)
    before = end_before > entry
    start_after = np.maximum(np.where(reached, cut, np.inf), entry)
    after = exit_ > start_after
    obs = make_observations(
        np.concatenate([end_before[before], exit_[after]]),
        np.concatenate([(failed & ~after)[before], failed[after]]),
        entry=np.concatenate([entry[before], start_after[after]]),
        truck=np.concatenate([truck[before], truck[after]]),
    )
    return obs, np.repeat([False, True], [int(before.sum()), int(after.sum())])


def table_consequences(lives: pd.DataFrame, *, level: float) -> pd.DataFrame:
    """Return one row per known pair of guard and guarded part with exposed lives."""
    rows = []
    for cause, effect in PAIRS:
        found = find_consequence(lives, cause, effect, level=level) if "end_date" in lives else None
        if found is None:
            continue
        row: dict[str, object] = {"cause": cause, "effect": effect, "exposed_lives": found.exposed_lives}
        if found.change is not None:
            change = found.change
            row |= {"failures_before": change.first_failures, "failures_after": change.later_failures}
            row |= {"hazard_ratio": change.ratio, "hazard_ratio_low": change.low, "hazard_ratio_high": change.high}
            row["p_value"] = change.p_value
        rows.append(row)
    names = ["cause", "effect", "exposed_lives", "failures_before", "failures_after"]
    ratio = ["hazard_ratio", "hazard_ratio_low", "hazard_ratio_high", "p_value"]
    return pd.DataFrame(rows, columns=[*names, *ratio])

"""How surely practice was measured, and failures by band of practised interval beside the fitted line."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from wearlab.answers.intervals_terms import Told
from wearlab.curves.practice import ClassEffect, NoPracticeFit, PracticeFit, calibrate, fit_practice
from wearlab.history.lives import History

Floats = npt.NDArray[np.float64]

GREASED = ("joint", "slip_spline")
GAPS_MEANT = 5  # gaps in one mean of practice
RELIABLE = 0.9
FOLLOWS = 0.05  # how far the slope of the next gap on recorded practice may be from 1 before it is corrected
EFFECT_COLUMNS = [
    "duty_cycle", "component", "theta", "theta_low", "theta_high", "failures", "trucks", "reliability_ratio",
    "theta_unpooled", "theta_unpooled_low", "theta_unpooled_high", "theta_uncorrected", "calibration_slope",
    "hazard_ratio_per_doubling", "hazard_ratio_low", "hazard_ratio_high", "e_value", "e_value_low", "reference_miles",
    "practised_low", "practised_high", "range_ratio", "shape", "shape_low", "shape_high", "eta", "eta_low", "eta_high",
    "frailty_variance", "frailty_low", "frailty_high",
]  # fmt: skip
BAND_COLUMNS = [
    "component", "duty_cycle", "practised_low", "practised_high", "failures", "expected", "exposure", "trucks",
    "rate", "rate_low", "rate_high", "crude_rate",
]  # fmt: skip
LINE_COLUMNS = ["component", "duty_cycle", "practised", "rate", "low", "high"]


@dataclass(frozen=True, slots=True)
class Reliability:
    """How well recorded practice tells trucks apart in one class.

    ``ratio`` is the share of the variance of ln (mean of five gaps) that is not the scatter of single gaps; ``slope``
    that of the next gap on the practice known at its start (both on the log scale): 1 where the recorded practice is
    already drawn toward the truck's own mean as far as its scatter asks. None where there are too few gaps.
    """

    duty_cycle: str
    ratio: float | None
    slope: float | None


def measure_reliability(gaps: pd.DataFrame, episodes: pd.DataFrame, duty_cycle: str) -> Reliability:
    """Return the reliability of practice in one class, from its counted gaps."""
    mine = gaps[(gaps["duty_cycle"] == duty_cycle) & gaps["counted"].astype(bool) & (gaps["miles"] > 0)]
    mine = mine.sort_values(["unit_id", "start_miles"], kind="stable")
    logs = np.log(mine["miles"].to_numpy(dtype=float))
    unit = mine["unit_id"].to_numpy()
    return Reliability(duty_cycle, _ratio(logs, unit), _slope(mine, episodes))


def _ratio(logs: Floats, unit: npt.NDArray[np.object_]) -> float | None:
    same = unit[1:] == unit[:-1] if len(unit) else np.zeros(0, dtype=bool)
    if same.sum() < 10:
        return None
    scatter = float((np.diff(logs)[same] ** 2).mean() / 2)
    full = unit[GAPS_MEANT - 1 :] == unit[: len(unit) - GAPS_MEANT + 1]  # sorted by truck: five gaps of one truck
    if full.sum() < 10 or len(set(unit[GAPS_MEANT - 1 :][full].tolist())) < 3:
        return None
    means = np.lib.stride_tricks.sliding_window_view(np.exp(logs), GAPS_MEANT).mean(axis=1)[full]
    total = float(np.log(means).var())
    return float(np.clip(1 - scatter / GAPS_MEANT / total, 0.0, 1.0)) if total > 0 else 0.0


def _slope(gaps: pd.DataFrame, episodes: pd.DataFrame) -> float | None:
    own = (episodes["practice_source"] == "gaps").to_numpy() & episodes["unit_id"].isin(set(gaps["unit_id"])).to_numpy()
    known = episodes.loc[own, ["unit_id", "entry_date", "practised_miles"]].drop_duplicates(["unit_id", "entry_date"])
    both = gaps.merge(known, left_on=["unit_id", "start_date"], right_on=["unit_id", "entry_date"], how="inner")
    if len(both) < 30 or both["unit_id"].nunique() < 5:
        return None
    x = np.log(both["practised_miles"].to_numpy(dtype=float))
    y = np.log(both["miles"].to_numpy(dtype=float))
    weight = np.exp(x)  # a long gap is a long exposure to it
    x = x - np.average(x, weights=weight)
    spread = float((weight * x**2).sum())
    return float((weight * x * y).sum() / spread) if spread > 0 else None


def find_renewed(history: History) -> dict[int, float]:
    """Return for lives of parts fitted more than a week after their truck went into service how far it had run by then.

    In units of the life scale, at the rate at which the part itself ran.
    """
    lives = history.lives
    new = history.units.set_index("unit_id")["in_service_date"]
    began = pd.to_datetime(lives["unit_id"].map(new))
    fitted, ended = pd.to_datetime(lives["start_date"]), pd.to_datetime(lives["end_date"])
    before, during = (fitted - began).dt.days, (ended - fitted).dt.days
    late = (before > 7) & (during > 0) & (lives["exit"] > 0)
    run = lives["exit"] / during.where(late) * before
    return {int(life): float(miles) for life, miles in zip(lives["life_id"][late], run[late], strict=True)}


def find_calibration(reliability: tuple[Reliability, ...]) -> dict[str, float]:
    """Return by class the slope of true on recorded ln practice, where it has to be corrected.

    Where the reliability ratio is below 0.9, or the next gap follows the recorded practice by more or less than one for
    one.
    """
    return {
        found.duty_cycle: float(np.clip(found.slope, 0.3, 1.5))
        for found in reliability
        if found.slope is not None
        and ((found.ratio is not None and found.ratio < RELIABLE) or abs(found.slope - 1) > FOLLOWS)
    }


def fit_calibrated(
    history: History, component: str, reliability: tuple[Reliability, ...], told: Told, *, level: float
) -> tuple[PracticeFit | None, PracticeFit | None]:
    """Return the fit of practice beside the terms told, corrected for noisy gaps where needed, and the plain one."""
    plain = fit_practice(
        told.episodes,
        component=component,
        level=level,
        scale=history.scale,
        renewed=find_renewed(history),
        further=told.names,
    )
    if isinstance(plain, NoPracticeFit):
        return None, None
    slopes = find_calibration(reliability)
    return (calibrate(plain, slopes) if slopes else plain), plain


def effect_row(
    fit: PracticeFit | None,
    plain: PracticeFit | None,
    component: str,
    reliability: Reliability,
    counts: tuple[int, int],
) -> dict[str, object]:
    """Return one row of the ``effects`` table; nulls where the class cannot say."""
    row: dict[str, object] = {"duty_cycle": reliability.duty_cycle, "component": component}
    row |= {"failures": counts[0], "trucks": counts[1], "reliability_ratio": reliability.ratio}
    row |= {"calibration_slope": reliability.slope}
    effect = None if fit is None else fit.effect(reliability.duty_cycle)
    if fit is None or effect is None:
        return row
    shared = set(ClassEffect.__dataclass_fields__) & set(EFFECT_COLUMNS)
    row |= {name: getattr(effect, name) for name in sorted(shared)}
    row |= {"frailty_variance": fit.frailty_variance, "frailty_low": fit.frailty_low, "frailty_high": fit.frailty_high}
    before = None if plain is None else plain.effect(reliability.duty_cycle)
    row["theta_uncorrected"] = None if before is None else before.theta
    for name, value in (("per_doubling", effect.theta), ("low", effect.theta_low), ("high", effect.theta_high)):
        row[f"hazard_ratio_{name}"] = None if value is None else 2.0**value
    span = effect.practised_high / effect.practised_low
    if effect.theta is not None and effect.theta_low is not None:
        row |= {"e_value": e_value(span**effect.theta), "e_value_low": e_value(span**effect.theta_low)}
    return row


def e_value(ratio: float) -> float:
    """Return how strongly a hidden cause must go with both practice and failure to explain a hazard ratio away.

    Ratio + √(ratio·(ratio − 1)) for ratios above 1 (VanderWeele & Ding, *Annals of Internal Medicine* 167, 2017); 1
    where the ratio is 1 or less. It takes the hazard ratio for a ratio of risks, which it nears for rare failures.
    """
    return 1.0 if ratio <= 1 else ratio + float(np.sqrt(ratio * (ratio - 1)))


def tabulate_bands(fit: PracticeFit, *, per_scale: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return ``bands`` and ``lines``: failures per million by band of practised interval, adjusted for age and class.

    Up to five bands per class with equal expected failures. The adjusted rate is the class's rate times observed over
    expected at equal practice (indirect standardisation); its limits are Garwood's for a count, widened by the spread
    between trucks. ``per_scale`` is failures per million of the scale, normally 1e6.
    """
    bands, lines = [], []
    data = fit.maximum.stretches
    rows = _band_rows(fit)
    for c, effect in enumerate(fit.effects):
        mine = np.flatnonzero(data.design[:, c] > 0)
        table = rows.iloc[mine]
        rate = per_scale * table["failed"].sum() / table["length"].sum()
        share = table["expected"].sum() / max(table["failed"].sum(), 1)
        bands += [_band(fit, effect, band, rate, share, per_scale) for band in _split(table)]
        lines.append(_line(fit, effect, table, rate))
    line_frames = [frame for frame in lines if len(frame)]
    line_table = pd.concat(line_frames, ignore_index=True) if line_frames else pd.DataFrame(columns=LINE_COLUMNS)
    return pd.DataFrame(bands, columns=BAND_COLUMNS), line_table


def _band_rows(fit: PracticeFit) -> pd.DataFrame:
    """Return each stretch's practice, length, expected failures at equal practice, and whether it failed."""
    data, top = fit.maximum.stretches, fit.maximum
    shape = np.exp(top.log_shapes)[data.shape_of]
    classes = len(fit.effects)
    level = np.exp(data.design[:, :classes] @ top.coefficients[:classes])
    failed = data.failed.copy()
    failed[data.found] = True
    end = np.where(data.reached, data.log_exit, -np.inf)
    end[data.found] = data.log_upper
    to_entry = np.where(data.late, np.exp(shape * data.log_entry), 0.0)
    length = data.scale * (np.exp(end) - np.where(data.late, np.exp(data.log_entry), 0.0))
    return pd.DataFrame(
        {
            "truck": fit.trucks,
            "practised": fit.practised_miles,
            "length": length,
            "expected": level * (np.exp(shape * end) - to_entry),
            "failed": failed,
        }
    )


def _split(table: pd.DataFrame) -> list[pd.DataFrame]:
    """Return up to five bands with equal expected failures and at least eight failures on average."""
    many = int(np.clip(table["failed"].sum() // 8, 1, 5))
    order = table.sort_values("practised", kind="stable")
    place = np.minimum((np.cumsum(order["expected"]) / order["expected"].sum() * many - 1e-12).astype(int), many - 1)
    return [band for _, band in order.groupby(place.to_numpy(), sort=True)]


def _band(
    fit: PracticeFit, effect: ClassEffect, band: pd.DataFrame, rate: float, share: float, per_scale: float
) -> dict[str, object]:
    expected = band["expected"].sum() / share
    failures = int(band["failed"].sum())
    by_truck = band.groupby("truck")["expected"].sum() / share
    widen = 1 + fit.frailty_variance * float((by_truck**2).sum()) / expected
    tail = (1 - fit.level) / 2
    low = stats.gamma.ppf(tail, failures / widen, scale=widen) if failures else 0.0
    high = stats.gamma.ppf(1 - tail, failures / widen + 1, scale=widen)
    factor = rate / expected
    return {
        "component": fit.component,
        "duty_cycle": effect.duty_cycle,
        "practised_low": float(band["practised"].min()),
        "practised_high": float(band["practised"].max()),
        "failures": failures,
        "expected": expected,
        "exposure": float(band["length"].sum()),
        "trucks": int(band["truck"].nunique()),
        "rate": factor * failures,
        "rate_low": factor * min(low, failures),
        "rate_high": factor * max(high, failures),
        "crude_rate": per_scale * failures / float(band["length"].sum()),
    }


def _line(fit: PracticeFit, effect: ClassEffect, table: pd.DataFrame, rate: float) -> pd.DataFrame:
    if effect.theta is None or effect.theta_low is None or effect.theta_high is None:
        return pd.DataFrame(columns=LINE_COLUMNS)
    at = np.geomspace(effect.practised_low, effect.practised_high, 25)
    u = np.log(at / effect.reference_miles)
    logs = np.log(table["practised"].to_numpy() / effect.reference_miles)
    weight = table["expected"].to_numpy()

    def scaled(theta: float) -> Floats:
        mean = float(np.average(np.exp(theta * logs), weights=weight))
        result: Floats = rate * np.exp(theta * u) / mean
        return result

    ends = np.sort(np.vstack([scaled(effect.theta_low), scaled(effect.theta), scaled(effect.theta_high)]), axis=0)
    return pd.DataFrame(
        {
            "component": fit.component,
            "duty_cycle": effect.duty_cycle,
            "practised": at,
            "rate": scaled(effect.theta),
            "low": ends[0],
            "high": ends[2],
        },
        columns=LINE_COLUMNS,
    )

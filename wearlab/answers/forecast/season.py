"""Whether trucks run more in some months of the year: tested on the readings, and used only where it is shown."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.evidence import Caution, say_chance
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

DAYS_PER_MONTH = 365.25 / 12.0
LONGEST_GAP_DAYS = 45.0  # between readings, for a month's miles to be known
FEWEST_TRUCKS, FEWEST_YEARS, MOST_YEARS = 10, 3, 6
CHANCE = 0.05
MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
          "November", "December")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Season:
    """Miles a day in each calendar month over the year's mean; all 1 where no season is shown."""

    factors: FloatArray
    p_value: float  # NaN: not tested
    years: int
    cautions: tuple[Caution, ...]

    def calendar(self, start: pd.Timestamp, months: int) -> tuple[FloatArray, float]:
        """Return the share of the way behind after each month (from 0 to 1), and the way over that of a mean year.

        Months are mean months (365.25 ÷ 12 days) counted from ``start``.
        """
        if (self.factors == 1.0).all():
            return np.arange(months + 1) / months, 1.0
        days = np.arange(round(months * DAYS_PER_MONTH))
        month = (start + pd.to_timedelta(days + 1, unit="D")).month.to_numpy()
        run = np.concatenate([[0.0], np.cumsum(self.factors[month - 1])])
        ends = np.interp(np.arange(months + 1) * len(days) / months, np.arange(len(run)), run)
        return np.asarray(ends / ends[-1]), float(ends[-1] / len(days))


NO_SEASON = Season(np.ones(12), float("nan"), 0, ())


def find_season(history: History) -> Season:
    """Return the season of the fleet's usage, where the readings show one beyond chance.

    Of each truck and calendar year whose months are all bracketed by readings at most LONGEST_GAP_DAYS apart: each
    month's miles a day over the year's mean; averaged over trucks, one pattern a year. The statistic is the spread of
    the mean pattern over the years. Chance is every way of turning each year's pattern around by whole months, which
    keeps what follows what but not the calendar (a randomisation test by cyclic shifts). Not tested with fewer than
    FEWEST_YEARS years of FEWEST_TRUCKS trucks.
    """
    patterns = yearly_patterns(history)
    if len(patterns) < FEWEST_YEARS:
        return NO_SEASON
    p_value = chance_of(patterns)
    if p_value > CHANCE:
        text = (
            f"Miles by month do not repeat from year to year beyond chance ({len(patterns)} years, p = {p_value:.2f}): "
            "no season is used."
        )
        return Season(np.ones(12), p_value, len(patterns), (Caution("no-season", text),))
    factors = patterns.mean(axis=0)
    factors = factors / factors.mean()
    most, least = int(factors.argmax()), int(factors.argmin())
    text = (
        f"The readings show a season ({len(patterns)} years, {say_chance(p_value)}): most miles in {MONTHS[most]} "
        f"({factors[most]:.2f} of the mean), fewest in {MONTHS[least]} ({factors[least]:.2f}); the months ahead follow "
        "it."
    )
    return Season(factors, p_value, len(patterns), (Caution("season-used", text),))


def yearly_patterns(history: History) -> FloatArray:
    """Return one row per calendar year with enough trucks: each month's miles a day over the year's mean."""
    meters = history.meters
    if history.as_of is None or meters.empty:
        return np.ones((0, 12))
    usable = meters[~meters["disregarded"].to_numpy(dtype=bool) & meters["miles"].notna()]
    dates = pd.to_datetime(usable["date"])
    if usable.empty:
        return np.ones((0, 12))
    years = np.arange(dates.dt.year.min(), dates.dt.year.max() + 1)
    firsts = pd.to_datetime([f"{year}-{month:02d}-01" for year in years for month in range(1, 13)])
    edges = np.append(firsts.to_numpy(), np.datetime64(f"{years[-1] + 1}-01-01"))
    edge = (edges - edges[0]) / np.timedelta64(1, "D")
    at = ((dates - edges[0]) / pd.Timedelta(days=1)).to_numpy(dtype=float)
    miles = usable["miles"].to_numpy(dtype=float)
    sums, count = np.zeros((len(years), 12)), np.zeros(len(years))
    for where in usable.groupby("unit_id", sort=True).indices.values():
        order = np.lexsort((miles[where], at[where]))
        ratio, whole = _truck_months(at[where][order], miles[where][order], edge)
        sums[whole] += ratio[whole]
        count[whole] += 1
    kept = np.flatnonzero(count >= FEWEST_TRUCKS)[-MOST_YEARS:]
    return np.asarray(sums[kept] / count[kept, None])


def _truck_months(at: FloatArray, miles: FloatArray, edge: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Return a truck's months over its year (years × 12), and which years are known in every month."""
    after = np.searchsorted(at, edge)
    inside = (after > 0) & (after < len(at))
    gap = np.where(inside, at[np.minimum(after, len(at) - 1)] - at[np.maximum(after - 1, 0)], np.inf)
    known = gap <= LONGEST_GAP_DAYS
    daily = np.diff(np.interp(edge, at, miles)) / np.diff(edge)
    by_year = daily.reshape(-1, 12)
    month_known = (known[1:] & known[:-1]).reshape(-1, 12).all(axis=1)
    mean = by_year.mean(axis=1)
    return by_year / np.maximum(mean, 1e-9)[:, None], month_known & (mean > 0)


def chance_of(patterns: FloatArray) -> float:
    """Return how often years turned around by whole months repeat themselves at least as well as they did."""
    away = patterns - patterns.mean(axis=1, keepdims=True)
    sums = away[:1]
    for year in away[1:]:
        turned = np.stack([np.roll(year, shift) for shift in range(12)])
        sums = (sums[:, None, :] + turned[None, :, :]).reshape(-1, 12)
    spread = (sums**2).sum(axis=1)
    return float((spread >= spread[0] * (1 - 1e-12)).mean())

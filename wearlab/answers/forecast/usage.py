"""How far each truck will go: its own last year's rate, drawn toward its class as far as years differ by chance."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.evidence import Caution
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]

YEAR = 365.0
FEWEST_PAIRS = 10
ASSUMED_RELIABILITY = 0.8
ASSUMED_CHANGE = 0.15


@dataclass(frozen=True, slots=True)
class Usage:
    """Per truck in service: expected units of age a day, and the spread of ln(next year's rate ÷ expected)."""

    rate: pd.Series
    change: float
    cautions: tuple[Caution, ...]


def daily_rates(history: History) -> pd.Series:
    """Return each truck's own rate a day in the history's scale, NaN where unknown, indexed by ``unit_id``."""
    units = history.units.set_index("unit_id").sort_index()
    if history.scale == "days":
        return pd.Series(1.0, index=units.index)
    if history.scale == "engine_hours":
        return units["hours_per_day"].astype(float)
    miles = units["miles_per_day"].astype(float)
    if history.scale == "joint_cycles":
        return miles * units["tire_turns_per_mile"].astype(float) * units["axle_ratio"].astype(float)
    return miles


def foresee_usage(history: History) -> Usage:
    """Return how far each truck in service is expected to go.

    The share of a truck's distance from its class that lasts into the next year is the slope of last year's rate on
    the year's before, within class; with d days of record it is d·b/(d·b + 365·(1 − b)) (Spearman 1910, Brown 1910).
    """
    units = history.units.set_index("unit_id").sort_index()
    own = daily_rates(history)
    serving = units["in_service"].to_numpy(dtype=bool)
    own, units = own[serving], units[serving]
    if history.scale == "days":
        return Usage(own, 0.0, ())
    pairs = _year_pairs(history, units)
    lasting, change, cautions = _lasting(pairs)
    typical = own.groupby(units["duty_cycle"]).transform("mean").fillna(own.mean())
    days = units["exposure_days"].astype(float).fillna(0.0).clip(upper=YEAR)
    weight = days * lasting / (days * lasting + YEAR * (1.0 - lasting)).clip(lower=1e-9)
    rate = typical + weight * (own.fillna(typical) - typical)
    unknown = int(own.isna().sum())
    if unknown:
        cautions += (
            Caution(
                "usage-unknown",
                f"{unknown} trucks in service have no usable meter readings: they are taken to run like their class.",
            ),
        )
    return Usage(rate.clip(lower=0.0), change, cautions)


def _year_pairs(history: History, units: pd.DataFrame) -> pd.DataFrame:
    """Return miles in each of the last two years for trucks whose meters cover both."""
    meters = history.meters
    if history.as_of is None or meters.empty:
        return pd.DataFrame({"duty_cycle": [], "before": [], "last": []})
    usable = meters[~meters["disregarded"].to_numpy(dtype=bool) & meters["miles"].notna()]
    end = pd.Timestamp(history.as_of)
    day = (pd.to_datetime(usable["date"]) - end).dt.days.to_numpy(dtype=float)
    miles = usable["miles"].to_numpy(dtype=float)
    rows = []
    duties = units["duty_cycle"].to_dict()
    for unit, where in usable.groupby("unit_id", sort=True).indices.items():
        at, value = day[where], miles[where]
        order = np.lexsort((value, at))
        at, value = at[order], value[order]
        if unit in duties and at[0] <= -2 * YEAR and at[-1] >= -60.0:
            two, one, now = np.interp([-2 * YEAR, -YEAR, min(0.0, at[-1])], at, value)
            rows.append((str(duties[unit]), one - two, (now - one) * YEAR / (YEAR + min(0.0, at[-1]))))
    return pd.DataFrame(rows, columns=["duty_cycle", "before", "last"])


def _lasting(pairs: pd.DataFrame) -> tuple[float, float, tuple[Caution, ...]]:
    """Return the share of a truck's difference from its class that lasts a year, and the spread of what remains."""
    pairs = pairs[(pairs["before"] > 0) & (pairs["last"] > 0)]
    if len(pairs) < FEWEST_PAIRS:
        text = (
            f"Fewer than {FEWEST_PAIRS} trucks have two years of meters: {100 * ASSUMED_RELIABILITY:.0f} % of a "
            "truck's difference from its class is taken to last, and its rate to change by "
            f"{100 * ASSUMED_CHANGE:.0f} % (assumed)."
        )
        return ASSUMED_RELIABILITY, ASSUMED_CHANGE, (Caution("usage-assumed", text),)
    by = pairs.groupby("duty_cycle")
    before = pairs["before"] / by["before"].transform("mean") - 1.0
    last = pairs["last"] / by["last"].transform("mean") - 1.0
    slope = float((before * last).sum() / max(float((before**2).sum()), 1e-12))
    lasting = min(max(slope, 0.0), 1.0)
    left = np.log(np.maximum(1.0 + last, 0.05) / np.maximum(1.0 + lasting * before, 0.05))
    return lasting, min(float(left.std(ddof=1)), 0.5), ()

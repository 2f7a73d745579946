"""What the fleet does today: how often each class is really greased, against its plan, and how it is used."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearlab.history.lives import History

DAYS_PER_YEAR = 365.25
DAYS_PER_MONTH = DAYS_PER_YEAR / 12
MONTHS_BACK = 24
TODAY_COLUMNS = [
    "duty_cycle", "gaps", "trucks", "median", "mean", "p10", "p25", "p75", "p90",
    "planned_miles", "planned_hours", "planned_months", "share_over_plan", "median_months", "median_hours",
]  # fmt: skip
SHOP_COLUMNS = ["duty_cycle", "shop", "gaps", "trucks", "median", "p10", "p90", "share_over_plan"]


@dataclass(frozen=True, slots=True)
class Usage:
    """One class's use and practice: miles and hours a truck runs in a year, and its regrease gaps of late."""

    duty_cycle: str
    trucks: int
    miles_per_year: float
    hours_per_year: float
    ownership_miles: float
    ownership_given: bool
    life_units_per_mile: float  # of the scale that lives are measured in
    current: float | None  # median counted gap of the last 24 months, miles
    current_mean: float | None
    positions: dict[str, float]  # mean number of positions of each component on a truck
    on_road: dict[str, float]  # share of failures not found at inspection


def measure_usage(history: History, duty_cycle: str) -> Usage:
    """Return how one class is used today; NaN where the record does not say."""
    units = history.units[history.units["duty_cycle"] == duty_cycle]
    lives = history.lives[history.lives["duty_cycle"] == duty_cycle]
    late = recent_gaps(history, duty_cycle)
    miles = late["miles"].to_numpy(dtype=float)
    given = history.config.costs.ownership_miles.get(duty_cycle)
    return Usage(
        duty_cycle=duty_cycle,
        trucks=len(units),
        miles_per_year=_median(units["miles_per_day"]) * DAYS_PER_YEAR,
        hours_per_year=_median(units["hours_per_day"]) * DAYS_PER_YEAR,
        ownership_miles=float(given) if given is not None else _median(units["last_miles"]),
        ownership_given=given is not None,
        life_units_per_mile=_units_per_mile(history, lives),
        current=float(np.median(miles)) if len(miles) else None,
        current_mean=float(np.mean(miles)) if len(miles) else None,
        positions=_positions(lives),
        on_road=_on_road(lives),
    )


def recent_gaps(history: History, duty_cycle: str) -> pd.DataFrame:
    """Return the counted gaps of one class that ended in the last 24 months; all of them where none did."""
    gaps = history.gaps
    mine = gaps[(gaps["duty_cycle"] == duty_cycle) & gaps["counted"].astype(bool) & (gaps["miles"] > 0)]
    if history.as_of is None or not len(mine):
        return mine
    since = pd.Timestamp(history.as_of) - pd.DateOffset(months=MONTHS_BACK)
    late = mine[pd.to_datetime(mine["end_date"]) > since]
    return late if len(late) else mine


def _median(values: pd.Series) -> float:
    known = values.to_numpy(dtype=float)
    known = known[np.isfinite(known) & (known > 0)]
    return float(np.median(known)) if len(known) else float("nan")


def _units_per_mile(history: History, lives: pd.DataFrame) -> float:
    if history.scale == "miles" or "exit_miles" not in lives:
        return 1.0
    usable = lives[lives["fittable"].astype(bool)]
    miles = float((usable["exit_miles"] - usable["entry_miles"]).sum())
    spent = float((usable["exit"] - usable["entry"]).sum())
    return spent / miles if miles > 0 else float("nan")


def _positions(lives: pd.DataFrame) -> dict[str, float]:
    trucks = lives["unit_id"].nunique()
    places = lives.drop_duplicates(["unit_id", "position"])
    return {str(name): len(rows) / trucks for name, rows in places.groupby("component", sort=True)}


def _on_road(lives: pd.DataFrame) -> dict[str, float]:
    failed = lives[lives["failed"].astype(bool)]
    return {
        str(name): float((rows["found_at"] != "inspection").mean())
        for name, rows in failed.groupby("component", sort=True)
    }


def planned_interval(history: History, duty_cycle: str) -> dict[str, float]:
    """Return the plan in force for a class: miles, hours, months (NaN where it does not say)."""
    plan = history.plan
    names = {"miles": "interval_miles", "hours": "interval_hours", "months": "interval_months"}
    mine = plan[plan["duty_cycle"] == duty_cycle] if len(plan) else plan
    if history.as_of is not None and len(mine):
        mine = mine[pd.to_datetime(mine["from_date"]) <= pd.Timestamp(history.as_of)]
    if not len(mine):
        return dict.fromkeys(names, float("nan"))
    last = mine.sort_values("from_date", kind="stable").iloc[-1]
    return {key: float(last[column]) if pd.notna(last[column]) else float("nan") for key, column in names.items()}


def tabulate_today(history: History, duty_cycles: tuple[str, ...]) -> pd.DataFrame:
    """Return the ``today`` table: who really greases when, over the last 24 months, against the plan in force."""
    rows = []
    for name in duty_cycles:
        late = recent_gaps(history, name)
        plan = planned_interval(history, name)
        row: dict[str, object] = {"duty_cycle": name, "gaps": len(late), "trucks": late["unit_id"].nunique()}
        miles = late["miles"].to_numpy(dtype=float)
        if len(miles):
            row |= {"median": float(np.median(miles)), "mean": float(miles.mean())}
            row |= {f"p{p}": float(np.percentile(miles, p)) for p in (10, 25, 75, 90)}
            row |= {
                "median_months": _median(late["days"]) / DAYS_PER_MONTH,
                "median_hours": _median(late["hours"]),
            }
        row |= {f"planned_{key}": value for key, value in plan.items()}
        row["share_over_plan"] = _late(late, plan)
        rows.append(row)
    return pd.DataFrame(rows, columns=TODAY_COLUMNS)


def _late(gaps: pd.DataFrame, plan: dict[str, float]) -> float | None:
    """Return the share of gaps longer than the plan in miles, hours or months, whichever came first."""
    if not len(gaps) or not any(np.isfinite(value) for value in plan.values()):
        return None
    months = gaps["days"].to_numpy(dtype=float) / DAYS_PER_MONTH
    each = {
        "miles": gaps["miles"].to_numpy(dtype=float),
        "hours": gaps["hours"].to_numpy(dtype=float),
        "months": months,
    }
    over = [np.nan_to_num(each[key], nan=-np.inf) > value for key, value in plan.items() if np.isfinite(value)]
    return float(np.any(over, axis=0).mean())


def tabulate_today_by_shop(history: History, duty_cycles: tuple[str, ...]) -> pd.DataFrame:
    """Return the ``today_by_shop`` table: which shops' trucks are greased when, over the last 24 months."""
    rows = []
    for name in duty_cycles:
        late, plan = recent_gaps(history, name), planned_interval(history, name)
        for shop, mine in late.groupby("shop", sort=True, observed=True):
            miles = mine["miles"].to_numpy(dtype=float)
            rows.append(
                {
                    "duty_cycle": name,
                    "shop": str(shop),
                    "gaps": len(mine),
                    "trucks": mine["unit_id"].nunique(),
                    "median": float(np.median(miles)),
                    "p10": float(np.percentile(miles, 10)),
                    "p90": float(np.percentile(miles, 90)),
                    "share_over_plan": _late(mine, plan),
                }
            )
    return pd.DataFrame(rows, columns=SHOP_COLUMNS)

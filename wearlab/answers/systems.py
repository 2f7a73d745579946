"""Trucks as repairable systems: how often the parts of one kind fail on a truck, whether or not the place was recorded.

Where an order does not say which of several like parts was changed, no part's own life can be told, but the truck's
record can: its mean cumulative number of failures by age (Nelson 2003, Recurrent Events Data Analysis for Product
Repairs; Lawless and Nadeau 1995).
"""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from wearlab.curves.recurrence import Window, count_mean_number
from wearlab.evidence import SAFETY, Basis, Caution, Unanswered, add_cautions
from wearlab.history.lives import History

DAYS_PER_YEAR = 365.25
_COLUMNS = [
    "component",
    "duty_cycle",
    "truck_years",
    "trucks",
    "mean_failures",
    "mean_failures_low",
    "mean_failures_high",
]
_COUNTS = ["component", "duty_cycle", "trucks", "failures", "without_position", "share_without_position"]


@dataclass(frozen=True, slots=True)
class Systems:
    """The mean number of failures of a truck's parts of one kind by the truck's age.

    ``systems``: one row per component, duty cycle and whole year of age (``truck_years``): ``trucks`` watched then,
    ``mean_failures`` of a truck up to then with its interval. ``orders``: all failures, and those without a position.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    systems: pd.DataFrame
    orders: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {"systems": self.systems, "orders": self.orders}


def count_systems(history: History, removals: pd.DataFrame, *, level: float) -> Systems | Unanswered:
    """Return how often the parts of one kind fail on a truck by its age, orders without a position counted too.

    ``removals``: ``unit_id``, ``component``, ``date``, ``failed``, ``placed``, one row per part changed. A truck is
    watched from the start of the record (or its own, if later) to its end, in its duty cycle on the last day.
    Unanswered: a lives file, or a fleet without a failure.
    """
    cautions = add_cautions(history.cautions, (SAFETY,))
    records_from = history.config.records_from
    if history.units.empty or history.as_of is None or records_from is None:
        text = "failures by truck can be counted only from a service history"
        return Unanswered(history.basis, cautions, "no-trucks", text, "give a fleet folder")
    failures = removals.loc[
        removals["failed"].astype(bool) & (pd.to_datetime(removals["date"]) >= pd.Timestamp(records_from))
    ]
    if failures.empty:
        text = "no part is recorded as failed"
        return Unanswered(history.basis, cautions, "no-failures", text, "a reason = failure in services marks one")
    watched = _watch_trucks(history.units, records_from, history.as_of)
    parts = history.lives[["unit_id", "component"]].drop_duplicates()
    curves, orders = [], []
    for (component, duty), trucks in parts.merge(watched, on="unit_id").groupby(["component", "duty_cycle"], sort=True):
        mine = failures.loc[failures["component"] == component].merge(trucks, on="unit_id")
        days = (pd.to_datetime(mine["date"]) - mine["in_service"]).dt.days
        mine = mine.assign(age=days).loc[days.to_numpy() <= mine["end"].to_numpy()]
        lost = int((~mine["placed"].astype(bool)).sum())
        share = lost / len(mine) if len(mine) else 0.0
        orders.append((component, duty, len(trucks), len(mine), lost, share))
        curves.append(
            _count(trucks.reset_index(drop=True), mine, level).assign(component=str(component), duty_cycle=str(duty))
        )
    table = pd.DataFrame.from_records(orders, columns=_COUNTS)
    return Systems(
        history.basis,
        add_cautions(cautions, _cautions(table)),
        pd.concat(curves)[_COLUMNS].reset_index(drop=True),
        table,
    )


def _watch_trucks(units: pd.DataFrame, records_from: date, as_of: date) -> pd.DataFrame:
    """Return the trucks with the ages in days at which their record begins and ends; empty windows are left out."""
    begun = pd.to_datetime(units["in_service_date"])
    ended = pd.to_datetime(units["out_of_service_date"]).fillna(pd.Timestamp(as_of))
    ended = ended.where(ended <= pd.Timestamp(as_of), pd.Timestamp(as_of))
    start = (pd.Timestamp(records_from) - begun).dt.days.clip(lower=0)
    frame = pd.DataFrame(
        {
            "unit_id": units["unit_id"],
            "duty_cycle": units["duty_cycle"],
            "in_service": begun,
            "start": start.astype(float) - 1.0,  # a failure on the first day of the record counts
            "end": (ended - begun).dt.days.astype(float),
        }
    )
    return frame.loc[frame["end"] > frame["start"]]


def _count(trucks: pd.DataFrame, failures: pd.DataFrame, level: float) -> pd.DataFrame:
    code = np.arange(len(trucks))
    window = Window(trucks["start"].to_numpy(dtype=float), trucks["end"].to_numpy(dtype=float), code)
    place = failures["unit_id"].map(pd.Series(code, index=trucks["unit_id"])).to_numpy(dtype=np.int64)
    first, last = np.floor(window.start.min() / DAYS_PER_YEAR) + 1, np.floor(window.end.max() / DAYS_PER_YEAR)
    years = np.arange(max(first, 1.0), max(last, first, 1.0) + 1)
    found = count_mean_number(
        window,
        place,
        failures["age"].to_numpy(dtype=float),
        np.minimum(years * DAYS_PER_YEAR, window.end.max()),
        level=level,
    )
    return pd.DataFrame(
        {
            "truck_years": years,
            "trucks": found.at_risk.astype(int),
            "mean_failures": found.number,
            "mean_failures_low": found.low,
            "mean_failures_high": found.high,
        }
    )


def _cautions(orders: pd.DataFrame) -> tuple[Caution, ...]:
    lost, every = int(orders["without_position"].sum()), int(orders["failures"].sum())
    text = (
        "Failures are counted by truck and by its age in years, in the duty cycle that it has now: this says how often "
        "a truck needs such a part, not how long one lasts. The number of parts on a truck stands in it."
    )
    found: tuple[Caution, ...] = (Caution("systems", text),)
    if lost:
        text = (
            f"{lost} of {every} failures do not say at which place: they count here, but no life of one part can be "
            "told from them; those parts are left out of life curves up to their next own replacement."
        )
        found += (Caution("without-position", text),)
    return found

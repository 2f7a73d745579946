"""Whether a truck is used as its duty cycle says: miles a year and miles an hour against the class's usual range."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from wearlab.evidence import SAFETY, Basis, Caution, Unanswered, add_cautions
from wearlab.history.lives import History

DAYS_PER_YEAR = 365.25
# Ways to bound a class by use; common practice, no source. Distances and speeds in miles.
SEVERE_MILES, LONG_HAUL_MILES = 6_000.0, 60_000.0
VOCATIONAL_MPH, HIGHWAY_MPH = 20.0, 40.0
FEWEST_DAYS = 90.0
FAR = 2.0  # times the class's median, up or down


@dataclass(frozen=True, slots=True)
class DutyCycles:
    """Each truck's use beside its duty cycle.

    ``classes``: ``miles_per_year``, ``miles_per_hour`` (of engine running), ``looks_like`` (``line_haul``,
    ``regional``, ``vocational`` by common practice; null where unknown), ``times_class`` (miles a year over the
    class's median), ``note``. ``usual``: the middle half of each class.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    classes: pd.DataFrame
    usual: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {"classes": self.classes, "usual": self.usual}


def describe_classes(history: History) -> DutyCycles | Unanswered:
    """Return each truck's use beside what its duty cycle would lead one to expect.

    A check on the data, not a new class: a truck in the wrong class blurs every answer. Unanswered: a lives file.
    """
    if history.units.empty:
        text = "duty cycles can be checked only where trucks have meters"
        return Unanswered(
            history.basis, add_cautions(history.cautions, (SAFETY,)), "no-trucks", text, "give a fleet folder"
        )
    units = history.units.sort_values("unit_id", kind="stable").reset_index(drop=True)
    miles = units["miles_per_day"].astype(float) * DAYS_PER_YEAR
    hours = units["hours_per_day"].astype(float)
    speed = units["miles_per_day"].astype(float) / hours.where(hours > 0)
    short = units["exposure_days"].astype(float) < FEWEST_DAYS
    looks = [_looks_like(m, v) for m, v in zip(miles.where(~short), speed.where(~short), strict=True)]
    usual = miles.where(~short).groupby(units["duty_cycle"]).transform("median")
    times = miles / usual.where(usual > 0)
    table = pd.DataFrame(
        {
            "unit_id": units["unit_id"],
            "duty_cycle": units["duty_cycle"],
            "miles_per_year": miles,
            "miles_per_hour": speed,
            "looks_like": looks,
            "times_class": times,
        }
    )
    facts = zip(looks, table["duty_cycle"], times, short, strict=True)
    table["note"] = [_note(look, str(duty), float(ratio), bool(brief)) for look, duty, ratio, brief in facts]
    return DutyCycles(
        history.basis, add_cautions(history.cautions, _cautions(table), (SAFETY,)), table, _usual(table[~short])
    )


def _looks_like(miles: float, speed: float) -> str | None:
    """Return the class that miles a year and miles an hour point to, None where the miles are not known."""
    if np.isnan(miles):
        return None
    if speed < VOCATIONAL_MPH or miles <= SEVERE_MILES:
        return "vocational"
    return "line_haul" if miles > LONG_HAUL_MILES and not speed < HIGHWAY_MPH else "regional"


def _note(looks: str | None, duty: str, times: float, brief: bool) -> str | None:
    notes = []
    if brief:
        notes.append(f"fewer than {FEWEST_DAYS:.0f} days of meters")
    if looks is not None and looks != duty and duty in {"line_haul", "regional", "vocational"}:
        notes.append(f"used like {looks.replace('_', ' ')}")
    if not brief and np.isfinite(times) and not 1 / FAR <= times <= FAR:
        notes.append(f"{times:.1f} times the miles a year of its class")
    return "; ".join(notes) or None


def _usual(table: pd.DataFrame) -> pd.DataFrame:
    """Return trucks and the middle half of miles a year and miles an hour of each class."""
    groups = table.groupby("duty_cycle", sort=True)
    out = groups.size().rename("trucks").to_frame()
    for name in ("miles_per_year", "miles_per_hour"):
        for suffix, share in (("low", 0.25), ("median", 0.5), ("high", 0.75)):
            out[f"{name}_{suffix}"] = groups[name].quantile(share)
    return out.reset_index()


def _cautions(table: pd.DataFrame) -> tuple[Caution, ...]:
    unlike = int((table["times_class"].gt(FAR) | table["times_class"].lt(1 / FAR)).sum())
    text = (
        "What a truck looks like is common practice, no source: up to 6,000 miles a year or under 20 miles an hour of "
        "engine running is vocational, over 60,000 miles line haul. It changes nothing by itself."
    )
    found: tuple[Caution, ...] = (Caution("looks-like", text),)
    if unlike:
        text = f"{unlike} trucks run less than half or more than twice the miles of their class: is the class right?"
        found += (Caution("class-doubtful", text),)
    return found

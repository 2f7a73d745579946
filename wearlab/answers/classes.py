"""Whether a truck is used as its class says: by the usual range, by its use alone, and by the rules of fleet.toml."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from wearlab.curves.patterns import match_groups
from wearlab.evidence import SAFETY, Basis, Caution, Unanswered, add_cautions, say_code
from wearlab.history.config import ClassRule
from wearlab.history.lives import History

DAYS_PER_YEAR = 365.25
# Ways to bound a class by use; common practice, no source. Distances and speeds in miles.
SEVERE_MILES, LONG_HAUL_MILES = 6_000.0, 60_000.0
VOCATIONAL_MPH, HIGHWAY_MPH = 20.0, 40.0
FEWEST_DAYS = 90.0
FAR = 2.0  # times the class's median, up or down
UNLIKELY = 0.1  # a truck whose use makes its own class less likely than this looks misclassed
FEWEST_OF_CLASS = 5  # trucks, for a class to be told by use
ENOUGH = 0.8  # share of the trucks that must have a measure for it to take part
_CHANGES = ["unit_id", "date", "duty_cycle", "was", "rule", "miles_per_year", "miles_per_hour", "share_unpaved"]


@dataclass(frozen=True, slots=True)
class DutyCycles:
    """Each truck's use beside its duty cycle.

    ``classes``: ``miles_per_year``, ``miles_per_hour`` (of engine running), ``share_unpaved`` (an attribute of the
    truck), ``looks_like`` (``line_haul``, ``regional``, ``vocational`` by common practice; null where unknown),
    ``times_class`` (miles a year over the class's median), ``used_like`` (the class that its use alone makes most
    likely), ``own_class_likely`` (how likely its use makes its own class, 0 to 1), ``by_rule`` (the class that the
    first fitting rule of fleet.toml gives), ``note``. ``misclassed``: the trucks whose use makes their own class
    unlikely. ``usual``: the middle half of each class. ``duty_changes``: rows for the table of that name, by which
    trucks would be in the class of their rule from ``as_of`` on; nothing before that day is told anew.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    classes: pd.DataFrame
    misclassed: pd.DataFrame
    usual: pd.DataFrame
    duty_changes: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {
            "classes": self.classes,
            "misclassed": self.misclassed,
            "usual": self.usual,
            **({"duty_changes": self.duty_changes} if len(self.duty_changes) else {}),
        }


def describe_classes(history: History, *, seed: int = 1) -> DutyCycles | Unanswered:
    """Return each truck's use beside what its duty cycle would lead one to expect.

    A check on the data, not a new class: a truck in the wrong class blurs every answer. Unanswered: a lives file.
    """
    if history.units.empty:
        text = "duty cycles can be checked only where trucks have meters"
        return Unanswered(
            history.basis, add_cautions(history.cautions, (SAFETY,)), "no-trucks", text, "give a fleet folder"
        )
    units = history.units.sort_values("unit_id", kind="stable").reset_index(drop=True)
    short = units["exposure_days"].astype(float) < FEWEST_DAYS
    table = _measure_use(units)
    known = ~short
    looks = zip(table["miles_per_year"].where(known), table["miles_per_hour"].where(known), strict=True)
    table["looks_like"] = [_looks_like(miles, speed) for miles, speed in looks]
    usual = table["miles_per_year"].where(known).groupby(table["duty_cycle"]).transform("median")
    table["times_class"] = table["miles_per_year"] / usual.where(usual > 0)
    table["used_like"], table["own_class_likely"] = _match_classes(table, known, seed)
    rules = history.config.class_rules
    table["by_rule"] = [
        _apply_rules(rules, row) if judged else None
        for row, judged in zip(table.to_dict("records"), known, strict=True)
    ]
    table["note"] = [_note(row, bool(brief)) for row, brief in zip(table.to_dict("records"), short, strict=True)]
    unlike = table["own_class_likely"].lt(UNLIKELY)
    return DutyCycles(
        history.basis,
        add_cautions(history.cautions, _cautions(table, has_rules=bool(rules)), (SAFETY,)),
        table,
        table.loc[unlike].sort_values(["own_class_likely", "unit_id"], kind="stable").reset_index(drop=True),
        _usual(table[known]),
        _propose_changes(table, rules, history.as_of),
    )


def _measure_use(units: pd.DataFrame) -> pd.DataFrame:
    hours = units["hours_per_day"].astype(float)
    miles = units["miles_per_day"].astype(float)
    unpaved = units["share_unpaved"] if "share_unpaved" in units else pd.Series(np.nan, index=units.index)
    return pd.DataFrame(
        {
            "unit_id": units["unit_id"],
            "duty_cycle": units["duty_cycle"],
            "miles_per_year": miles * DAYS_PER_YEAR,
            "miles_per_hour": miles / hours.where(hours > 0),
            "share_unpaved": pd.to_numeric(unpaved, errors="coerce").astype(float),
        }
    )


def _match_classes(table: pd.DataFrame, known: "pd.Series[bool]", seed: int) -> tuple[list[str | None], list[float]]:
    """Return the class that each truck's use alone makes most likely, and how likely it makes its own class."""
    measures = pd.DataFrame(
        {
            "miles": np.log(table["miles_per_year"].where(table["miles_per_year"] > 0)),
            "speed": table["miles_per_hour"],
            "unpaved": table["share_unpaved"],
        }
    )
    measured = measures.loc[known].notna().mean()
    used = measures[[str(name) for name, share in measured.items() if share >= ENOUGH]]
    judged = known & used.notna().all(axis=1) & bool(used.shape[1])
    sizes = table.loc[judged, "duty_cycle"].value_counts()
    names = sorted(str(name) for name, size in sizes.items() if size >= FEWEST_OF_CLASS)
    judged &= table["duty_cycle"].isin(names)
    like: list[str | None] = [None] * len(table)
    own = [float("nan")] * len(table)
    if len(names) < 2:
        return like, own
    group = np.array([names.index(str(name)) for name in table.loc[judged, "duty_cycle"]])
    likely = match_groups(used.loc[judged].to_numpy(dtype=float), group, seed=seed)
    for row, (place, mine, shares) in enumerate(zip(np.flatnonzero(judged), group, likely, strict=True)):
        like[place], own[place] = names[int(np.argmax(shares))], float(likely[row, mine])
    return like, own


def _apply_rules(rules: tuple[ClassRule, ...], row: Mapping[object, object]) -> str | None:
    return next((rule.duty_cycle for rule in rules if _fits(rule, row)), None)


def _fits(rule: ClassRule, row: Mapping[object, object]) -> bool:
    """Return whether a truck's use keeps every bound of a rule; what is not known keeps none."""
    for use in ("miles_per_year", "miles_per_hour", "share_unpaved"):
        value, over, up_to = float(str(row[use])), getattr(rule, f"{use}_over"), getattr(rule, f"{use}_up_to")
        if (over is not None and not value > over) or (up_to is not None and not value <= up_to):
            return False
    return True


def _propose_changes(table: pd.DataFrame, rules: tuple[ClassRule, ...], as_of: date | None) -> pd.DataFrame:
    """Return what the rules would change from ``as_of`` on, as rows of the table duty_changes."""
    other = table.loc[table["by_rule"].notna() & (table["by_rule"] != table["duty_cycle"])]
    number = [1 + next(n for n, rule in enumerate(rules) if _fits(rule, row)) for row in other.to_dict("records")]
    changes = other.assign(date=as_of, was=other["duty_cycle"], duty_cycle=other["by_rule"], rule=number)
    return changes[_CHANGES].reset_index(drop=True)


def _looks_like(miles: float, speed: float) -> str | None:
    """Return the class that miles a year and miles an hour point to, None where the miles are not known."""
    if np.isnan(miles):
        return None
    if speed < VOCATIONAL_MPH or miles <= SEVERE_MILES:
        return "vocational"
    return "line_haul" if miles > LONG_HAUL_MILES and not speed < HIGHWAY_MPH else "regional"


def _note(row: Mapping[object, object], brief: bool) -> str | None:
    notes = []
    looks, duty, times = row["looks_like"], str(row["duty_cycle"]), float(str(row["times_class"]))
    if brief:
        notes.append(f"fewer than {FEWEST_DAYS:.0f} days of meters")
    if looks is not None and looks != duty and duty in {"line_haul", "regional", "vocational"}:
        notes.append(f"{say_code(str(looks))} by the usual bounds")
    if not brief and np.isfinite(times) and not 1 / FAR <= times <= FAR:
        notes.append(f"{times:.1f} times the miles a year of its class")
    if float(str(row["own_class_likely"])) < UNLIKELY:
        notes.append(f"its use is that of {say_code(str(row['used_like']))} trucks here")
    if row["by_rule"] not in {None, duty}:
        notes.append(f"{say_code(str(row['by_rule']))} by the rules of fleet.toml")
    return "; ".join(notes) or None


def _usual(table: pd.DataFrame) -> pd.DataFrame:
    """Return trucks and the middle half of miles a year and miles an hour of each class."""
    groups = table.groupby("duty_cycle", sort=True)
    out = groups.size().rename("trucks").to_frame()
    for name in ("miles_per_year", "miles_per_hour"):
        for suffix, share in (("low", 0.25), ("median", 0.5), ("high", 0.75)):
            out[f"{name}_{suffix}"] = groups[name].quantile(share)
    return out.reset_index()


def _cautions(table: pd.DataFrame, *, has_rules: bool) -> tuple[Caution, ...]:
    unlike = int((table["times_class"].gt(FAR) | table["times_class"].lt(1 / FAR)).sum())
    text = (
        "The usual bounds are common practice, no source: up to 6,000 miles a year or under 20 miles an hour of "
        "engine running is vocational, over 60,000 miles line-haul. They change nothing by itself."
    )
    found: tuple[Caution, ...] = (Caution("looks-like", text),)
    if unlike:
        text = f"{unlike} trucks run less than half or more than twice the miles of their class: is the class right?"
        found += (Caution("class-doubtful", text),)
    misclassed = int(table["own_class_likely"].lt(UNLIKELY).sum())
    if misclassed:
        text = f"The use of {misclassed} trucks is that of another class of this fleet: look at them one by one."
        found += (Caution("misclassed", text),)
    if has_rules:
        text = (
            "The rules of fleet.toml change no truck by themselves: put the rows of duty_changes that you agree with "
            "into the table duty_changes. From their date on the truck's miles count in the new class; before it, not."
        )
        found += (Caution("rules-propose", text),)
    return found

"""The places that a forecast looks at: each part in service with its age, its miles ahead, its stratum, its truck."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.answers.forecast.joining import Joiners, plan_joiners
from wearlab.answers.forecast.leaving import Leaving, foresee_leaving, stay
from wearlab.answers.forecast.season import find_season
from wearlab.answers.forecast.usage import Usage, foresee_usage
from wearlab.curves.observations import Observations, make_observations
from wearlab.evidence import Caution
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

DAYS_PER_MONTH = 365.25 / 12.0
LONGEST_SILENCE_DAYS = 180.0


@dataclass(frozen=True, slots=True)
class Span:
    """How far ahead the forecast reaches: whole months at each truck's own rate, or one distance for every part.

    ``joining``: trucks a month that are to join, by duty cycle.
    """

    months: int
    ahead: float | None
    joining: Mapping[str, float] = field(default_factory=dict)

    @property
    def days(self) -> float:
        """The months as days."""
        return self.months * DAYS_PER_MONTH


@dataclass(frozen=True, slots=True)
class Places:
    """Parts in service, and what holds for all of them.

    One row each: ``unit_id``, ``position``, ``component``, ``duty_cycle``, ``hardware``, ``shop``, ``age``, ``span``,
    ``count``, ``begin`` (share of the months behind it when its truck joins; 0 in service), ``joining``.
    """

    table: pd.DataFrame
    trucks: pd.Index
    change: float  # spread of ln usage
    leaving: Leaving  # by truck
    calendar: FloatArray  # share of the way behind at the start and after each month
    cautions: tuple[Caution, ...]


def name_strata(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with its ``component`` and ``duty_cycle`` as text, empty where a lives file has neither."""
    named = {name: table[name].astype(object).where(table[name].notna(), "").astype(str) for name in STRATUM}
    return table.assign(**named)


STRATUM = ("component", "duty_cycle")
MISSING = {"hardware": None, "begin": 0.0, "joining": False}


def find_places(history: History, span: Span) -> Places:
    """Return every part in service: all suspended lives of a lives file, the parts on trucks in service of a fleet.

    With ``span.joining`` the parts of the trucks that are to join stand beside them.
    """
    lives = name_strata(history.lives)
    if history.as_of is None:
        kept = lives[~lives["failed"].to_numpy(dtype=bool)]
        table = kept.assign(age=kept["exit"].astype(float), span=float(span.ahead or 0.0), shop=None)
        none = pd.Index([], dtype=object)
        return Places(_tidy(table), none, 0.0, stay(0), np.array([0.0, 1.0]), ())
    usage = foresee_usage(history)
    units = history.units.set_index("unit_id")
    here = lives[lives["running"].to_numpy(dtype=bool) & lives["unit_id"].isin(usage.rate.index)]
    rate = usage.rate.reindex(here["unit_id"]).to_numpy(dtype=float)
    lag, cautions = _lag_days(here, pd.Timestamp(history.as_of))
    age = here["exit"].to_numpy(dtype=float) + np.nan_to_num(rate) * lag
    calendar, season, said = _calendar(history, span)
    ahead = rate * span.days * season if span.ahead is None else np.full(len(here), span.ahead)
    shop = units["shop"].reindex(here["unit_id"]).to_numpy(dtype=object)
    table = here.assign(age=age, span=ahead, shop=shop)
    usable = (np.isfinite(table["span"]) & np.isfinite(table["age"])).to_numpy()
    way = usage.rate * span.days * season if span.ahead is None else 0.0 * usage.rate + span.ahead
    cautions = usage.cautions + said + cautions + _left_out(history, ~usable) + _unknown_age(history, here, way)
    kept = _tidy(table[usable])
    if span.ahead is not None:
        trucks = pd.Index(sorted(kept["unit_id"].unique()))
        return Places(kept, trucks, 0.0, stay(len(trucks)), calendar, cautions)
    joiners = plan_joiners(kept, units, usage.rate, span.joining, span.months)
    return _with_joiners(history, kept, joiners, usage, span, (calendar, season), cautions)


def _calendar(history: History, span: Span) -> tuple[FloatArray, float, tuple[Caution, ...]]:
    """Return the shares of the way after each month, and the way over that of a mean year, with what was found."""
    if span.ahead is not None or history.as_of is None or history.scale == "days":
        return np.arange(span.months + 1) / span.months, 1.0, ()
    season = find_season(history)
    shares, way = season.calendar(pd.Timestamp(history.as_of), span.months)
    return shares, way, season.cautions


def _with_joiners(
    history: History,
    kept: pd.DataFrame,
    joiners: Joiners,
    usage: Usage,
    span: Span,
    calendar: tuple[FloatArray, float],
    cautions: tuple[Caution, ...],
) -> Places:
    shares, season = calendar
    new = joiners.table
    begin = np.interp(new["begin"].astype(float) * span.months, np.arange(span.months + 1), shares)
    way = new["daily"].astype(float) * span.days * season * (1.0 - begin)
    rows = new.assign(age=0.0, span=way, begin=begin, shop=None, count=1.0, joining=True)
    table = kept if new.empty else _tidy(pd.concat([kept, rows], ignore_index=True))
    trucks = pd.Index(sorted(table["unit_id"].unique()))
    coming = rows.assign(share=1.0 - rows["begin"]).groupby("unit_id")[["duty_cycle", "share"]].first()
    leaving = foresee_leaving(history, trucks, span.days * season, new=coming)
    return Places(table, trucks, usage.change, leaving, shares, cautions + joiners.cautions)


def _left_out(history: History, lost: npt.NDArray[np.bool_]) -> tuple[Caution, ...]:
    if not lost.any():
        return ()
    what = history.scale.replace("_", " ")
    text = (
        f"{int(lost.sum())} parts in service are not in the forecast: their age or their trucks' use in {what} is not "
        "known."
    )
    return (Caution("places-left-out", text),)


def _tidy(table: pd.DataFrame) -> pd.DataFrame:
    names = ["unit_id", "position", *STRATUM, "hardware", "shop", "age", "span", "count", "begin", "joining"]
    table = table.assign(**{name: value for name, value in MISSING.items() if name not in table})
    return table[names].sort_values([*STRATUM, "unit_id", "position"], kind="stable").reset_index(drop=True)


def _lag_days(here: pd.DataFrame, now: pd.Timestamp) -> tuple[FloatArray, tuple[Caution, ...]]:
    """Return the days from each part's last known age to ``now``, at most LONGEST_SILENCE_DAYS."""
    lag = (now - pd.to_datetime(here["end_date"])).dt.days.fillna(0.0).to_numpy(dtype=float)
    silent = sorted(set(here["unit_id"][lag > LONGEST_SILENCE_DAYS]))
    if not silent:
        return np.maximum(lag, 0.0), ()
    text = (
        f"{len(silent)} trucks in service have no meter reading for more than {LONGEST_SILENCE_DAYS:.0f} days "
        f"(first: {', '.join(silent[:3])}): check whether they still run."
    )
    return np.clip(lag, 0.0, LONGEST_SILENCE_DAYS), (Caution("silent-trucks", text),)


def _unknown_age(history: History, here: pd.DataFrame, way: pd.Series) -> tuple[Caution, ...]:
    """Name the parts in service whose age is not known, and what they would add at their class's plain rate."""
    left = name_strata(history.left_out[history.left_out["position"].notna()])
    left = left.drop_duplicates(["unit_id", "position"])
    known = pd.MultiIndex.from_frame(here[["unit_id", "position"]])
    place = pd.MultiIndex.from_frame(left[["unit_id", "position"]])
    unknown = left[(left["unit_id"].isin(way.index) & ~place.isin(known)).to_numpy()]
    if unknown.empty:
        return ()
    lives = fittable_lives(history)
    sums = lives.assign(age=lives["exit"] - lives["entry"]).groupby(list(STRATUM))[["failed", "age"]].sum()
    plain = (sums["failed"] / sums["age"]).reindex(pd.MultiIndex.from_frame(unknown[list(STRATUM)]))
    more = float(np.nansum(plain.to_numpy(dtype=float) * way.reindex(unknown["unit_id"]).to_numpy(dtype=float)))
    text = (
        f"{len(unknown)} parts in service have no known age: they are not in these sums. At the plain rate of their "
        f"class they would add about {more:.1f} failures."
    )
    return (Caution("age-unknown", text),)


def fittable_lives(history: History) -> pd.DataFrame:
    """Return the lives that a curve can be fitted to, in an order that does not depend on that of the rows."""
    lives = name_strata(history.lives)
    lives = lives[lives["fittable"].to_numpy(dtype=bool)]
    return lives.sort_values([*STRATUM, "unit_id", "position", "exit", "entry"], kind="stable")


def as_lives(rows: pd.DataFrame, trucks: pd.Index, *, between: bool) -> Observations:
    """Return lives or stretches as arrays, trucks numbered by ``trucks``.

    A failure found at inspection counts at the age at which it was found, since what is forecast is the day on which a
    failure is found; with ``between`` (a lives file) its interval is kept as it is.
    """
    return make_observations(
        rows["exit"],
        rows["failed"].to_numpy(dtype=bool),
        entry=rows["entry"],
        lower=rows["lower"] if between else None,
        upper=rows["upper"] if between else None,
        count=rows["count"],
        truck=truck_codes(trucks, rows),
    )


def truck_codes(trucks: pd.Index, rows: pd.DataFrame) -> IntArray:
    """Return the position in ``trucks`` of each row's truck."""
    return np.asarray(trucks.get_indexer(pd.Index(rows["unit_id"])), dtype=np.int64)


def on_road(rows: pd.DataFrame) -> float:
    """Return the share of failures that were not found at inspection; 1 where the record does not say."""
    found = rows.loc[rows["failed"].to_numpy(dtype=bool), "found_at"].dropna()
    return float((found != "inspection").mean()) if len(found) else 1.0

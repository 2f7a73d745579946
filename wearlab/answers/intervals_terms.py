"""What else bears on failures beside practice and class, as known when a stretch of life began."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.curves.practice import PracticeFit
from wearlab.history.lives import History

Floats = npt.NDArray[np.float64]

GUARDED = {
    "slip_spline": "boot"
}  # a torn boot lets water and grit into the spline under it; common practice, no source
ENOUGH = 30  # pairs of means of cups purged from which their scatter is told
LEAST_SPREAD = 0.1  # of a term inside classes: cups left dry, tenths of axle ratio
FEWEST = 10  # failures on each side of a term that is yes or no
TERM_COLUMNS = ["component", "term", "hazard_ratio", "hazard_ratio_low", "hazard_ratio_high", "failures", "reads"]


@dataclass(frozen=True, slots=True)
class Told:
    """The episodes with a column for each further term of one component, and how each reads."""

    episodes: pd.DataFrame
    reads: dict[str, str]

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the columns."""
        return tuple(self.reads)


_Terms = dict[str, tuple[Floats, str]]


def tell_terms(history: History, component: str) -> Told:
    """Return the episodes with the further terms of one component that vary enough to be told.

    Cups left dry at the truck's last five stops (drawn toward its shop's mean), grease grade at the last, hardware,
    axle ratio, and for a part under a boot whether a boot on its shaft had failed since it was fitted. Each is what was
    known on the day on which the stretch began; none looks into the stretch or beyond.
    """
    episodes = history.episodes
    mine = (episodes["component"] == component).to_numpy()
    rows = episodes[mine]
    found = _cups(rows) | _hardware(rows) | _ratio(history, rows) | _grease(rows) | _boot(history, rows, component)
    kept = {name: term for name, term in found.items() if _varies(rows, term[0])}
    columns = {}
    for name, (column, _) in kept.items():
        whole = np.zeros(len(episodes))
        whole[mine] = column
        columns[name] = whole
    return Told(episodes.assign(**columns), {name: reads for name, (_, reads) in kept.items()})


def _cups(rows: pd.DataFrame) -> _Terms:
    cups = rows["cups_purged_before"].to_numpy(dtype=float)
    if not len(cups) or np.isfinite(cups).mean() <= 0.5:
        return {}
    dry = np.where(np.isfinite(cups), 4 - cups, np.nanmean(4 - cups))
    return {"cups_left_dry": (_drawn(rows, dry), "per cup left dry, mean of the truck's last five stops")}


def _drawn(rows: pd.DataFrame, dry: Floats) -> Floats:
    """Return a truck's mean of five stops drawn toward its shop's by the share of its spread that is chance.

    Chance is half the mean square of the difference between means that share no stop (five stops apart); a count of a
    few cups is otherwise noisy enough to hide much of what a shop does.
    """
    shop = pd.factorize(rows["shop"].astype(object).fillna(""))[0]
    mean = np.bincount(shop, dry) / np.bincount(shop)
    away = dry - mean[shop]
    stops = rows.assign(away=away).drop_duplicates(["unit_id", "entry_date"]).sort_values(["unit_id", "entry_date"])
    apart = stops.groupby("unit_id")["away"].diff(5).dropna()
    spread = float((stops["away"] ** 2).mean())
    if len(apart) < ENOUGH or spread == 0:
        return dry
    real = float(np.clip(1 - (apart**2).mean() / 2 / spread, 0.0, 1.0))
    return np.asarray(mean[shop] + real * away, dtype=float)


def _hardware(rows: pd.DataFrame) -> _Terms:
    extended = (rows["hardware"] == "extended_interval").to_numpy().astype(float)
    return {"extended_interval_hardware": (extended, "against greaseable hardware")}


def _ratio(history: History, rows: pd.DataFrame) -> _Terms:
    ratio = rows["unit_id"].map(history.units.set_index("unit_id")["axle_ratio"]).to_numpy(dtype=float)
    if not len(ratio) or np.isfinite(ratio).mean() <= 0.9:
        return {}
    logs = np.log(np.where(np.isfinite(ratio), ratio, np.nanmean(ratio)))
    return {"axle_ratio": (logs / np.log(1.1), "per 10 % more shaft turns a mile")}


def _grease(rows: pd.DataFrame) -> _Terms:
    grade = rows["grease_grade_before"].astype(object).fillna("").astype(str)
    known = grade[grade != ""]
    if len(set(known)) < 2:
        return {}
    usual = known.mode().iloc[0]
    other = ((grade != usual) & (grade != "")).to_numpy().astype(float)
    return {"other_grease": (other, f"grease other than the usual one ({usual})")}


def _boot(history: History, rows: pd.DataFrame, component: str) -> _Terms:
    """Return whether a boot of the shaft had failed since the part was fitted, on the day the stretch began."""
    guard, lives = GUARDED.get(component), history.lives
    torn = lives[(lives["component"] == guard) & lives["failed"].astype(bool)]
    if not len(torn) or not len(rows):
        return {}
    told = lives.drop_duplicates("life_id").set_index("life_id")
    shaft = rows["life_id"].map(told["shaft"]).astype(object).fillna("")
    places = pd.concat([rows["unit_id"].astype(str) + "|" + shaft.astype(str), _place(torn)])
    code = pd.factorize(places)[0].astype(np.int64)
    mine, theirs = code[: len(rows)], code[len(rows) :]
    events = np.sort(theirs * _DAYS + _days(torn["end_date"]))
    fitted, began = _days(rows["life_id"].map(told["start_date"])), _days(rows["entry_date"])
    since = np.searchsorted(events, mine * _DAYS + fitted, side="right")
    by_then = np.searchsorted(events, mine * _DAYS + np.maximum(began, fitted), side="right")
    after = (by_then > since).astype(float)
    return {f"{guard}_had_failed": (after, f"after a {guard} on its shaft had failed, against before")}


_DAYS = 10**6


def _place(lives: pd.DataFrame) -> pd.Series:
    return lives["unit_id"].astype(str) + "|" + lives["shaft"].astype(object).fillna("").astype(str)


def _days(dates: pd.Series) -> npt.NDArray[np.int64]:
    return np.asarray((pd.to_datetime(dates) - pd.Timestamp(1900, 1, 1)).dt.days, dtype=np.int64)


def _varies(rows: pd.DataFrame, column: Floats) -> bool:
    """Return whether a column varies inside classes and, where it is yes or no, both have ten failures."""
    failed = rows["failed"].to_numpy(dtype=bool)
    levels = np.unique(column)
    if len(levels) == 2:
        return all(int((failed & (column == level)).sum()) >= FEWEST for level in levels)
    duty = pd.factorize(rows["duty_cycle"])[0] + 1
    mean = np.bincount(duty, column) / np.maximum(np.bincount(duty), 1)
    return bool(column.size and (column - mean[duty]).std() > LEAST_SPREAD)


def tabulate_terms(fits: dict[str, PracticeFit], told: dict[str, Told]) -> pd.DataFrame:
    """Return the ``terms`` table: what else goes with failure, from the fits of practice themselves."""
    rows = [
        {
            "component": component,
            "term": term.name,
            "hazard_ratio": float(np.exp(term.value)),
            "hazard_ratio_low": float(np.exp(term.low)),
            "hazard_ratio_high": float(np.exp(term.high)),
            "failures": fit.basis.failures,
            "reads": told[component].reads[term.name],
        }
        for component, fit in fits.items()
        for term in fit.further
    ]
    return pd.DataFrame(rows, columns=TERM_COLUMNS)

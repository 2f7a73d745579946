"""Measured wear: how fast each part wears, and how many miles are left until its limit."""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from wearlab.answers.wear_inspections import UNSEEN, chance_past, look_every, next_looks, usual_gap
from wearlab.answers.wear_practice import NOT_KNOWN, WearPractice, practised_by_life, with_practice
from wearlab.answers.wear_rates import Lines, Readings, cross_limit, fit_paths
from wearlab.evidence import SAFETY, Basis, Caution, Unanswered, add_cautions
from wearlab.history.config import WearLimit
from wearlab.history.lives import History

FloatArray = npt.NDArray[np.float64]

# What one unit is in another of its kind; 1 in = 25.4 mm, 1 lbf = 4.4482216152605 N exactly (NIST SP 811, 2008).
TO_BASE = {
    "in": ("length", 25.4),
    "inch": ("length", 25.4),
    "mm": ("length", 1.0),
    "cm": ("length", 10.0),
    "thou": ("length", 0.0254),
    "um": ("length", 0.001),
    "lb-ft": ("torque", 0.3048 * 4.4482216152605),
    "lbf-ft": ("torque", 0.3048 * 4.4482216152605),
    "ft-lb": ("torque", 0.3048 * 4.4482216152605),
    "nm": ("torque", 1.0),
    "n-m": ("torque", 1.0),
}
NO_WEAR = ("bolt_torque", "cup_height", "boot_offset")  # set when fitting, not worn by miles
CLOSE_DAYS = 90.0
DAYS_PER_MONTH = 365.25 / 12.0
STRETCH = 1.25
COLUMNS = (
    "unit_id",
    "position",
    "component",
    "duty_cycle",
    "quantity",
    "unit",
    "measurements",
    "latest",
    "latest_date",
    "rate",
    "rate_low",
    "rate_high",
    "rate_per_1000",
    "limit",
    "miles_to_limit",
    "low",
    "high",
    "beyond_measured",
    "practised_miles",
    "miles_to_next_look",
    "chance_past_by_then",
    "look_within",
    "chance_past_ahead",
    "miles_past",
    "status",
    "standing",
)


@dataclass(frozen=True, slots=True)
class Wear:
    """Measured wear of every part still in service.

    ``parts``: ``latest`` and ``limit`` in ``unit``, ``rate`` in ``unit`` per mile (``rate_per_1000`` per 1,000 miles),
    ``miles_to_limit`` from the truck's present meter; null where there is no limit or no growth. ``high`` null: the
    readings do not rule out that the limit is never reached; ``beyond_measured``: the limit lies past any age measured.
    ``miles_past``: miles run since the limit was reached by the part's line, 0 before; ``standing``: in words where
    the part stands. Rows are in the order of urgency: measured past the limit (furthest first), past it by their
    rate, then by miles left. ``miles_to_next_look``: to the next look if looks go on as they did,
    ``chance_past_by_then`` of being past the limit at it, ``look_within`` the miles in which that chance reaches 5
    %, ``chance_past_ahead`` that of being past the limit after the months asked for, at the truck's own rate.
    ``rates``: start, shape and rate of each class's wear, ``practice_power`` (rate in proportion to miles per stop
    to this power, within class) with its limits, the usual miles between looks and ``look_every``, the miles within
    which a part found below two thirds of its limit is to be seen again. ``before_next_look``: the parts that may
    be past their limit before the next usual look, likeliest first.
    """

    basis: Basis
    cautions: tuple[Caution, ...]
    parts: pd.DataFrame
    rates: pd.DataFrame
    before_next_look: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by their public names."""
        return {"parts": self.parts, "rates": self.rates, "before_next_look": self.before_next_look}


def measure_wear(history: History, *, level: float, months: int = 12) -> Wear | Unanswered:
    """Return rate and miles to limit of every measured part, from a line per part drawn toward its class and practice.

    Readings of earlier parts at a place teach the rates of their class too. Limits are fleet.toml's, lengths converted
    between inch and millimetre. Unanswered: no measurements, or none that can be tied to a part of known age.
    """
    readings = history.measurements
    if readings.empty:
        return _unanswered(history, "no-measurements", "there are no measurements", "give a measurements table")
    usable, cautions = _usable(history)
    if usable.empty:
        return _unanswered(
            history, "no-usable-measurements", "no measurement belongs to a part of known age", "see meters"
        )
    parts, classes = [], []
    for (component, quantity), measured in usable.groupby(["component", "quantity"], sort=True):
        limit = history.config.limits.wear.get(str(quantity))
        rows, unit, found = _in_one_unit(measured, str(quantity), limit)
        cautions += found
        if rows.empty:
            continue
        fitted, found = _fit(history, rows, str(component), str(quantity), level)
        cautions += found
        parts.append(_list_parts(history, rows, fitted, unit, limit, level, months))
        classes.append(_list_classes(rows, fitted, unit, limit))
    if not parts:
        return _unanswered(
            history, "no-usable-measurements", "no measurement is in a unit that can be used", "see units"
        )
    table = _by_urgency(pd.concat(parts, ignore_index=True))
    cautions = add_cautions(history.cautions, cautions, _limit_cautions(history, table), _told(table), (SAFETY,))
    soon = table[(table["chance_past_by_then"] >= UNSEEN) & (table["latest"] < table["limit"])]
    soon = soon.sort_values(
        ["chance_past_by_then", "unit_id", "position"], ascending=[False, True, True], kind="stable"
    )
    names = ["unit_id", "position", "component", "duty_cycle", "quantity", "latest", "limit", "unit"]
    soon = soon[[*names, "miles_to_next_look", "chance_past_by_then", "look_within"]].reset_index(drop=True)
    return Wear(replace(history.basis, level=level), cautions, table, pd.concat(classes, ignore_index=True), soon)


def _usable(history: History) -> tuple[pd.DataFrame, tuple[Caution, ...]]:
    """Return readings with age and value, in a fixed order, marked where grease may have hidden the play."""
    readings = history.measurements
    known = readings["age_miles"].notna() & readings["life_id"].notna() & readings["value"].notna()
    rows = readings[known].sort_values(
        ["component", "quantity", "life_id", "age_miles", "date", "value"], kind="stable"
    )
    cautions: tuple[Caution, ...] = ()
    if (~known).any():
        text = f"{int((~known).sum())} measurements are left out: no part of known age stands behind them."
        cautions += (Caution("measurements-left-out", text),)
    greased = _after_grease(history, rows)
    if greased.any():
        text = (
            f"{int(greased.sum())} measurements were taken on the day of a regrease: measured after greasing they are "
            "too small, since fresh grease hides play. Inspect before greasing."
        )
        cautions += (Caution("grease-hides-play", text),)
    return rows.assign(greased=greased), cautions


def _after_grease(history: History, rows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    if history.stops.empty:
        return np.zeros(len(rows), dtype=bool)
    stops = pd.MultiIndex.from_arrays([history.stops["unit_id"], pd.to_datetime(history.stops["date"])])
    taken = pd.MultiIndex.from_arrays([rows["unit_id"], pd.to_datetime(rows["date"])])
    return np.asarray(taken.isin(stops), dtype=bool)


def convert(value: float, unit: str, wanted: str) -> float | None:
    """Return a value in another unit of its kind, or None where the two units are not of one kind."""
    if unit == wanted:
        return value
    here, there = TO_BASE.get(_plain(unit)), TO_BASE.get(_plain(wanted))
    if here is None or there is None or here[0] != there[0]:
        return None
    return value * here[1] / there[1]


def _plain(unit: str) -> str:
    return unit.strip().lower().replace("·", "-").replace(".", "").replace("µ", "u").replace('"', "in")


def _in_one_unit(
    rows: pd.DataFrame, quantity: str, limit: WearLimit | None
) -> tuple[pd.DataFrame, str, tuple[Caution, ...]]:
    """Return the readings in the limit's unit, or in the commonest one without a limit."""
    units = rows["unit"].astype(str)
    wanted = limit.unit if limit is not None else str(units.value_counts().sort_index(kind="stable").idxmax())
    factor = {unit: convert(1.0, unit, wanted) for unit in sorted(units.unique())}
    strange = sorted(unit for unit, value in factor.items() if value is None)
    kept = rows[~units.isin(strange)]
    scaled = kept.assign(value=kept["value"] * units.map(factor)[kept.index].astype(float))
    if not strange:
        return scaled, wanted, ()
    text = f"{quantity}: {len(rows) - len(kept)} measurements in {', '.join(strange)} cannot be read in {wanted}."
    return scaled, wanted, (Caution("strange-unit", text),)


@dataclass(frozen=True, slots=True)
class _Codes:
    """The parts (life_id, in order of first reading) and classes that the line numbers stand for."""

    lives: npt.NDArray[np.object_]
    part: npt.NDArray[np.int64]
    classes: tuple[str, ...]
    part_class: npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class _Fitted:
    """The lines of one kind of measurement, what they stand for, and what practice does to their rates."""

    lines: Lines | None
    codes: _Codes
    practised: FloatArray  # by part
    practice: WearPractice


def _fit(
    history: History, rows: pd.DataFrame, component: str, quantity: str, level: float
) -> tuple[_Fitted, tuple[Caution, ...]]:
    part, lives = pd.factorize(rows["life_id"])
    duty = rows["duty_cycle"].astype(object).where(rows["duty_cycle"].notna(), "").astype(str).to_numpy()
    first = np.unique(part, return_index=True)[1]
    classes, part_class = np.unique(duty[first].astype(str), return_inverse=True)
    codes = _Codes(
        np.asarray(lives), part.astype(np.int64), tuple(str(c) for c in classes), part_class.astype(np.int64)
    )
    practised = practised_by_life(history, codes.lives)
    if quantity in NO_WEAR:
        return _Fitted(None, codes, practised, NOT_KNOWN), ()
    readings = Readings(
        rows["age_miles"].to_numpy(dtype=float), rows["value"].to_numpy(dtype=float), codes.part, part_class
    )
    lines, practice = fit_paths(readings), NOT_KNOWN
    if lines is not None:
        lines, practice = with_practice(readings, lines, practised, level)
    found: tuple[Caution, ...] = ()
    if practice.taken:
        text = (
            f"{component}, {quantity}: within a class, parts regreased at twice the miles wear "
            f"{2**practice.power:.2f} times as fast (p = {practice.p_value:.3f}); taken into their rates. An "
            "association, no experiment."
        )
        found += (Caution("wear-practice", text),)
    if lines is None:
        text = f"{component}, {quantity}: too few readings, or all at one age, to tell how fast it grows."
        found += (Caution("no-wear-rate", text),)
    elif lines.power != 1.0:
        text = (
            f"{component}, {quantity}: wear feeds on itself. The rate given is the present one; the intervals take the "
            "bend as known, so miles far ahead are less sure than they look."
        )
        found += (Caution("bent-wear", text),)
    elif len(lives) == len(rows) and len(lives) > 1:
        text = f"{component}, {quantity}: every part was measured once, so parts cannot be told from measuring error."
        found += (Caution("measured-once", text),)
    return _Fitted(lines, codes, practised, practice), found


def _list_parts(
    history: History,
    rows: pd.DataFrame,
    fitted: _Fitted,
    unit: str,
    limit: WearLimit | None,
    level: float,
    months: int,
) -> pd.DataFrame:
    """Return one row per part still in service."""
    lines, codes = fitted.lines, fitted.codes
    last = rows.groupby("life_id", sort=False).tail(1).set_index("life_id").reindex(codes.lives)
    size = np.bincount(codes.part, minlength=len(codes.lives))
    missing = np.full(len(codes.lives), np.nan)
    now, running, per_day = _present(history, codes.lives, last)
    table = pd.DataFrame(
        {
            "unit_id": last["unit_id"].to_numpy(),
            "position": last["position"].to_numpy(),
            "component": last["component"].to_numpy(),
            "duty_cycle": last["duty_cycle"].to_numpy(),
            "quantity": last["quantity"].to_numpy(),
            "unit": unit,
            "measurements": size,
            "latest": last["value"].to_numpy(dtype=float),
            "latest_date": last["date"].to_numpy(),
            "rate": missing,
            "rate_low": missing,
            "rate_high": missing,
            "limit": missing if limit is None else limit.value,
            "miles_to_limit": missing,
            "low": missing,
            "high": missing,
            "beyond_measured": False,
            "practised_miles": fitted.practised,
            "miles_to_next_look": missing,
            "chance_past_by_then": missing,
            "look_within": missing,
            "chance_past_ahead": missing,
            "miles_past": missing,
        }
    )
    if lines is not None:
        error = lines.quantile(level) * np.sqrt(lines.covariance[:, 1, 1])
        growth = lines.growth(np.fmax(lines.wear_at(np.asarray(last["age_miles"], dtype=float)), table["latest"] * 0.5))
        table = table.assign(
            rate=lines.rate * growth, rate_low=(lines.rate - error) * growth, rate_high=(lines.rate + error) * growth
        )
    if lines is not None and limit is not None:
        crossed = cross_limit(lines, np.full(len(now), limit.value), level)
        age, low, high = (np.maximum(one - now, 0.0) for one in crossed)
        beyond = (now + age) > STRETCH * float(rows["age_miles"].max())
        gap = _gaps(rows, codes)[codes.part_class]
        looks = next_looks(lines, limit.value, np.asarray(last["age_miles"], dtype=float), now, gap)
        ahead = now + per_day * months * DAYS_PER_MONTH
        known = np.where(np.isfinite(ahead), chance_past(lines, limit.value, np.nan_to_num(ahead)), np.nan)
        table = table.assign(miles_to_limit=age, low=low, high=high, beyond_measured=beyond, **looks)
        table["chance_past_ahead"] = known
        table["miles_past"] = np.clip(now - crossed[0], 0.0, now)
    table["rate_per_1000"] = 1000.0 * table["rate"]
    table["status"] = _say_status(table, per_day)
    table["standing"] = [_say_standing(row) for row in table.to_dict("records")]
    return table.loc[running, list(COLUMNS)]


def _present(
    history: History, lives: npt.NDArray[np.object_], last: pd.DataFrame
) -> tuple[FloatArray, npt.NDArray[np.bool_], FloatArray]:
    """Return each part's present age in miles, whether it still runs, and its truck's miles a day."""
    known = history.lives.set_index("life_id").reindex(lives)
    age = known["exit_miles"].to_numpy(dtype=float)
    age = np.fmax(age, last["age_miles"].to_numpy(dtype=float))
    running = known["running"].fillna(False).to_numpy(dtype=bool)
    if history.units.empty:
        return age, running, np.full(len(lives), np.nan)
    rate = history.units.set_index("unit_id")["miles_per_day"].reindex(last["unit_id"]).to_numpy(dtype=float)
    return age, running, rate


def _say_status(table: pd.DataFrame, per_day: FloatArray) -> npt.NDArray[np.str_]:
    """Return in words where each part stands."""
    limit, left, latest = (table[name].to_numpy(dtype=float) for name in ("limit", "miles_to_limit", "latest"))
    soon = np.nan_to_num(CLOSE_DAYS * per_day)
    cases = (
        (table["quantity"].isin(NO_WEAR).to_numpy(), "set when fitting, not worn"),
        (np.isnan(limit), "no limit given"),
        (latest >= limit, "past the limit"),
        (left == 0.0, "past the limit by its rate"),
        (table["low"].to_numpy(dtype=float) <= soon, f"may reach the limit within {CLOSE_DAYS:.0f} days"),
        (np.isfinite(left), "within the limit"),
    )
    return np.select([case for case, _ in cases], [words for _, words in cases], "no growth measured")


def _say_standing(row: Mapping[Hashable, Any]) -> str:
    """Return a part's status with how far it is past its limit."""
    over = row["latest"] - row["limit"]
    if row["status"] == "past the limit":
        if over < 1e-3 * row["limit"]:
            return "at the limit, as measured"
        return f"past the limit by {over:.3g} {row['unit']} ({100 * over / row['limit']:.0f} %), as measured"
    if row["status"] == "past the limit by its rate":
        since = row["miles_past"]
        return f"past the limit by its rate, for about {float(f'{since:.2g}'):,.0f} miles; not measured since"
    return str(row["status"])


def _by_urgency(table: pd.DataFrame) -> pd.DataFrame:
    """Return the parts in the order in which they are to be looked at."""
    over = (table["latest"] / table["limit"]).where(table["latest"] >= table["limit"])
    past = table["miles_past"].where(over.isna() & table["miles_to_limit"].eq(0.0))
    keyed = table.assign(over=-over, past=-past)
    order = ["over", "past", "miles_to_limit", "unit_id", "position", "quantity"]
    return table.loc[keyed.sort_values(order, kind="stable").index].reset_index(drop=True)


def _gaps(rows: pd.DataFrame, codes: _Codes) -> FloatArray:
    """Return the usual miles between looks by class, that of all parts where a class has none of its own."""
    of_row = codes.part_class[codes.part]
    own = np.array([usual_gap(rows[of_row == code]) for code in range(len(codes.classes))])
    return np.where(np.isfinite(own), own, usual_gap(rows))


def _list_classes(rows: pd.DataFrame, fitted: _Fitted, unit: str, limit: WearLimit | None) -> pd.DataFrame:
    """Return the wear rate of each class: its parts, readings, rate per mile, measuring error, and when to look."""
    lines, codes, practice = fitted.lines, fitted.codes, fitted.practice
    readings = np.bincount(codes.part_class[codes.part], minlength=len(codes.classes))
    return pd.DataFrame(
        {
            "component": rows["component"].iloc[0],
            "quantity": rows["quantity"].iloc[0],
            "duty_cycle": [name or None for name in codes.classes],
            "unit": unit,
            "parts": np.bincount(codes.part_class, minlength=len(codes.classes)),
            "measurements": readings,
            "rate": np.nan if lines is None else lines.class_rate,
            "rate_per_1000": np.nan if lines is None else 1000.0 * lines.class_rate,
            "measuring_error": np.nan if lines is None else lines.error,
            "start": np.nan if lines is None else _median_start(lines, codes),
            "shape": None if lines is None else ("straight" if lines.power == 1.0 else "feeds on itself"),
            "practice_power": practice.power,
            "practice_low": practice.low,
            "practice_high": practice.high,
            "practice_taken": practice.taken,
            "usual_miles_between_looks": _gaps(rows, codes),
            "look_every": np.nan if lines is None or limit is None else look_every(lines, limit.value),
        }
    )


def _median_start(lines: Lines, codes: _Codes) -> FloatArray:
    """Return the middle wear of each class's parts when new, as their lines have it; NaN where none reaches so far."""
    new = lines.wear_at(np.zeros(len(lines.start)))
    known = [new[(codes.part_class == code) & np.isfinite(new)] for code in range(len(codes.classes))]
    return np.array([np.median(mine) if len(mine) else np.nan for mine in known])


def _limit_cautions(history: History, table: pd.DataFrame) -> tuple[Caution, ...]:
    without = sorted({str(name) for name in table["quantity"] if name not in history.config.limits.wear})
    if not without:
        return ()
    text = f"No limit is given for {', '.join(without)}: put the maker's limit under [limits] in fleet.toml."
    return (Caution("no-limit", text),)


def _told(table: pd.DataFrame) -> tuple[Caution, ...]:
    found: tuple[Caution, ...] = ()
    past = int((table["latest"] >= table["limit"]).sum())
    if past:
        text = (
            f"{past} parts were measured at or past their limit: replace them as the maker says, whatever is forecast."
        )
        found += (Caution("past-limit", text),)
    soon = int(((table["chance_past_by_then"] >= 0.5) & (table["latest"] < table["limit"])).sum())
    if soon:
        text = f"{soon} parts are more likely than not past their limit before the next usual look: look earlier."
        found += (Caution("past-before-next-look", text),)
    stretched = int(table["beyond_measured"].sum())
    if stretched:
        text = f"{stretched} parts reach their limit well past any age measured so far, if wear goes on as it did."
        found += (Caution("beyond-measured", text),)
    return found


def _unanswered(history: History, code: str, text: str, fix: str) -> Unanswered:
    return Unanswered(history.basis, add_cautions(history.cautions, (SAFETY,)), code, text, fix)

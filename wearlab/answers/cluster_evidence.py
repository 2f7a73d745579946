"""The evidence behind a verdict: who is still at risk, when it happened, which clock it follows, what settles it."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from wearlab.curves.expected import Bools, ClassCurve, Floats, Spans, fit_classes, shape_interval
from wearlab.curves.expected_counts import ratio_interval
from wearlab.curves.expected_spans import ComponentSpans
from wearlab.history.lives import History

AHEAD_DAYS = 90.0

_AT_RISK = ["unit_id", "position", "component", "factor", "level", "age", "fitted", "probability_90_days"]
_TIMELINE = ["month", "fitted", "failures", "fitted_all", "failures_all"]
_CLOCK = ["group", "lives", "failures", "beta", "beta_low", "beta_high", "median_age_at_failure"]
_CLOCK_MORE = ["median_days_since_fitting", "median_days_since_service", "summer_share", "reading"]
_BEFORE = ["group", "lives", "observed", "expected", "ratio", "ratio_low", "ratio_high"]


@dataclass(frozen=True, slots=True)
class Suspect:
    """The level under suspicion: its component's exposure and curves, and which lives carry it."""

    part: ComponentSpans
    curves: tuple[ClassCurve, ...]
    hazard: Floats
    factor: str
    level: str
    mine: Bools
    observed: float
    expected: float


def list_at_risk(history: History, suspect: Suspect | None) -> pd.DataFrame:
    """Return the parts still running with the suspect property, by their chance to fail in the next 90 days.

    At the truck's own rate (miles, hours or joint cycles per day), with the class's hazard times the ratio of the level
    drawn toward 1 by one failure, (O + 1) / (E + 1). Null where the rate is not known.
    """
    if suspect is None:
        return pd.DataFrame(columns=_AT_RISK)
    lives = suspect.part.lives
    rows = np.flatnonzero(suspect.mine & lives["running"].to_numpy(bool))
    chosen = lives.loc[rows]
    rates = rates_per_day(history)
    ahead = np.array([rates.get(str(unit), np.nan) * AHEAD_DAYS for unit in chosen["unit_id"]], dtype=np.float64)
    age = chosen["exit"].to_numpy(np.float64)
    last = np.zeros(len(lives), dtype=np.int64)
    last[suspect.part.spans.life] = suspect.part.spans.stratum  # the stretches of a life are in order: the last holds
    relative = np.ones(len(lives))
    relative[suspect.part.spans.life] = suspect.part.spans.relative
    times = relative[rows] * (suspect.observed + 1.0) / (suspect.expected + 1.0)
    hazard = _ahead(suspect.curves, last[rows], age, ahead) * times
    frame = pd.DataFrame(
        {
            "unit_id": chosen["unit_id"].to_numpy(),
            "position": chosen["position"].to_numpy(),
            "component": suspect.part.component,
            "factor": suspect.factor,
            "level": suspect.level,
            "age": age,
            "fitted": chosen["start_date"].to_numpy(),
            "probability_90_days": -np.expm1(-hazard),
        }
    )
    frame = frame.assign(minus=-frame["probability_90_days"], minus_age=-frame["age"])
    frame = frame.sort_values(["minus", "minus_age", "unit_id", "position"], kind="stable", ignore_index=True)
    return frame[_AT_RISK]


def rates_per_day(history: History) -> dict[str, float]:
    """Return the use of each truck per day in the scale of the history; empty where it is not known."""
    units = history.units
    if not len(units):
        return {}
    if history.scale == "days":
        rate = pd.Series(1.0, index=units.index)
    elif history.scale == "miles":
        rate = units["miles_per_day"]
    elif history.scale == "engine_hours":
        rate = units["hours_per_day"]
    elif history.scale == "joint_cycles":
        rate = units["miles_per_day"] * units["tire_turns_per_mile"] * units["axle_ratio"]
    else:
        return {}
    return dict(zip(units["unit_id"].astype(str), rate.astype(float), strict=True))


def _ahead(curves: tuple[ClassCurve, ...], stratum: np.ndarray, age: Floats, ahead: Floats) -> Floats:
    out = np.zeros(len(age))
    for curve in curves:
        rows = stratum == curve.stratum
        k = np.exp(curve.log_shape)
        then, now = (np.exp(k * (np.log(at[rows]) - curve.log_scale)) for at in (age + ahead, age))
        out[rows] = np.exp(curve.log_rate) * (then - now)
    return out


def make_timeline(suspect: Suspect | None) -> pd.DataFrame:
    """Return fittings and failures by month, of the suspect parts and of all parts of the component."""
    if suspect is None:
        return pd.DataFrame(columns=_TIMELINE)
    lives = suspect.part.lives
    fitted = pd.to_datetime(lives["start_date"]).dt.strftime("%Y-%m")
    failed = pd.to_datetime(lives["end_date"]).dt.strftime("%Y-%m").where(lives["failed"].astype(bool))
    counts = {
        "fitted": fitted[suspect.mine].value_counts(),
        "failures": failed[suspect.mine].value_counts(),
        "fitted_all": fitted.value_counts(),
        "failures_all": failed.value_counts(),
    }
    months = sorted(set(counts["fitted"].index) | set(counts["failures"].index) | set(counts["failures_all"].index))
    columns = {name: [int(count.get(month, 0)) for month in months] for name, count in counts.items()}
    return pd.DataFrame({"month": months} | columns, columns=_TIMELINE)


def tell_clock(suspect: Suspect | None, level: float) -> pd.DataFrame:
    """Return the suspect parts and the rest side by side: shape of the life curve, and ages and days at failure.

    Ages are divided by the characteristic life of their class before both groups are fitted, so that a mixture of duty
    cycles does not flatten the shape. A shape below 1 points at fitting or lot, above 1 at ageing (IEC 61649). Summer
    is April to September.
    """
    if suspect is None:
        return pd.DataFrame(columns=[*_CLOCK, *_CLOCK_MORE])
    spans = _on_class_age(suspect)
    mine = suspect.mine[spans.life]
    group = Spans(
        np.where(mine, 0, 1).astype(np.int64),
        spans.unit,
        spans.life,
        spans.entry,
        spans.exit,
        spans.failed,
        spans.weight,
        spans.relative,
    )
    curves = {curve.stratum: curve for curve in fit_classes(group)}
    rows = []
    for code, name in ((0, "suspect"), (1, "rest")):
        chosen = suspect.part.lives[suspect.mine == (code == 0)]
        failed = chosen[chosen["failed"].astype(bool)]
        shape = shape_interval(curves[code], level) if code in curves and len(failed) else (np.nan,) * 3
        months = pd.to_datetime(failed["end_date"]).dt.month
        rows.append(
            {
                "group": name,
                "lives": len(chosen),
                "failures": len(failed),
                "beta": shape[0],
                "beta_low": shape[1],
                "beta_high": shape[2],
                "median_age_at_failure": _median(failed["exit"]),
                "median_days_since_fitting": _median(failed["exit_days"]),
                "median_days_since_service": _median(failed["days_since_service"]),
                "summer_share": float(months.between(4, 9).mean()) if months.notna().any() else np.nan,
                "reading": _reading(shape),
            }
        )
    return pd.DataFrame(rows, columns=[*_CLOCK, *_CLOCK_MORE])


def _on_class_age(suspect: Suspect) -> Spans:
    """Return the stretches with ages divided by the characteristic life of their class."""
    spans = suspect.part.spans
    eta = np.ones(len(spans.unit))
    for curve in suspect.curves:
        eta[curve.rows] = np.exp(curve.log_scale - curve.log_rate / np.exp(curve.log_shape))
    return Spans(
        spans.stratum,
        spans.unit,
        spans.life,
        spans.entry / eta,
        spans.exit / eta,
        spans.failed,
        spans.weight,
        spans.relative,
    )


def _median(values: pd.Series) -> float:
    known = values.dropna()
    return float(known.astype(float).median()) if len(known) else float("nan")


def _reading(shape: tuple[float, ...]) -> str:
    _, low, high = shape
    if not np.isfinite(low):
        return "too few trucks with failures to tell"
    if high < 1.0:
        return "fails young: points at the fitting or the lot"
    if low > 1.0:
        return "fails with age: points at wear or ageing"
    return "cannot tell fitting from ageing"


def before_and_after(suspect: Suspect | None, fix_date: date | None, level: float) -> pd.DataFrame:
    """Return the suspect parts fitted before and from the day of a fix: observed against expected of their classes.

    Expected failures carry the exposure: parts fitted after the fix have had less time, and expect less.
    """
    if suspect is None or fix_date is None:
        return pd.DataFrame(columns=_BEFORE)
    spans = suspect.part.spans
    fitted = pd.to_datetime(suspect.part.lives["start_date"])
    after = (fitted >= pd.Timestamp(fix_date)).to_numpy(bool)
    rows = []
    for name, chosen in (("before", suspect.mine & ~after), ("after", suspect.mine & after)):
        mine = chosen[spans.life]
        observed = np.array([np.where(spans.failed & mine, spans.weight, 0.0).sum()])
        expected = np.array([suspect.hazard[mine].sum()])
        low, high = ratio_interval(observed, expected, np.ones(1), level)
        known = expected[0] > 0
        rows.append(
            {
                "group": name,
                "lives": int(chosen.sum()),
                "observed": float(observed[0]),
                "expected": float(expected[0]),
                "ratio": float(observed[0] / expected[0]) if known else np.nan,
                "ratio_low": float(low[0]) if known else np.nan,
                "ratio_high": float(high[0]) if known else np.nan,
            }
        )
    return pd.DataFrame(rows, columns=_BEFORE)


_STEPS = {
    "lot": (
        (
            "Pull three unfailed parts of the lot and three of another, and have them cut and measured.",
            "part or fitting",
        ),
        ("Quarantine what is left of the lot in the stores until then.", "stops more being fitted"),
    ),
    "shop": (
        ("Watch the next five fittings in that shop against the maker's instructions.", "finds the step that differs"),
        ("Swap clamp tools or crews between two shops for a month.", "tool, crew or place"),
    ),
    "clamp_tool": (("Check the tool's closing force and jaw against a new one.", "tool or crew"),),
    "crew": (("Have that crew and another fit parts side by side, and measure both.", "crew or trucks"),),
    "grease_grade": (("Sample purged grease from the suspect trucks.", "grease or interval"),),
}


def settle(found: str, suspect: Suspect | None) -> pd.DataFrame:
    """Return the next steps that would settle the question, with what each one tells."""
    columns = ["step", "tells"]
    if suspect is None:
        return pd.DataFrame(
            [
                ("Record lot, shop, crew and clamp tool at every replacement.", "which fittings share a property"),
                ("Look again when a quarter's failures have come in.", "whether the excess grows with the exposure"),
            ],
            columns=columns,
        )
    rows = [
        (
            "Inspect the running parts in the at-risk list, highest chance first, at their next stop.",
            "how many are going",
        ),
        ("Inspect as many parts of like age without the property.", "whether looking harder is what finds them"),
        *_STEPS.get(
            suspect.factor, (("Look for what else these parts share: trucks, routes, season.", "cause or company"),)
        ),
    ]
    if found == "suspected":
        rows.append(
            ("Look again when the suspect parts have had half as much exposure again.", "chance fades, causes do not")
        )
    return pd.DataFrame(rows, columns=columns)

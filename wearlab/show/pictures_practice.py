"""Pictures of regreasing: its cost, its effect, and how it is really done."""

from functools import partial

import numpy as np
import pandas as pd

from wearlab.show.decisions import records, table_of
from wearlab.show.document import show_text
from wearlab.show.figures import is_missing, show_count, show_name, show_number
from wearlab.show.pictures import Picture, make_panel, ranges_of, source_line, span_of
from wearlab.show.plots_lives import draw_ranges
from wearlab.show.plots_practice import Marks, draw_cost, draw_gaps, draw_practice
from wearlab.show.tables import show_interval
from wearlab.study import Study

NOT_AN_EFFECT = ("change of effect with age",)  # a slope, not an effect: it stands in the table only


def picture_costs(study: Study) -> Picture | None:
    """Return cost against regrease interval, one chart per duty cycle, the flat zone shaded."""
    curve = table_of(study.recommendation, "cost_curve")
    regrease = table_of(study.recommendation, "regrease")
    if curve.empty or regrease.empty:
        return None
    currency = show_text(study.history.config.currency)
    panels, words = [], []
    for number, row in enumerate(records(regrease)):
        costs = curve.loc[curve["duty_cycle"] == row["duty_cycle"]]
        if costs.empty:
            continue
        marks = Marks(
            *(float(row[key]) if not is_missing(row.get(key)) else np.nan for key in Marks.__dataclass_fields__)
        )
        alt = _cost_words(row, costs, currency)
        words.append(alt)
        draw = partial(draw_cost, costs, marks=marks, currency=currency, scale="miles")
        panels.append(make_panel(f"cost-{number}", show_name(row["duty_cycle"]).capitalize(), alt, draw))
    note = "Shaded: the flat zone, where cost is within 2 % of the least and the choice hardly matters."
    title = "Cost against the regrease interval: where it is flat, pick what suits the shop"
    return Picture("costs", title, tuple(panels), tuple(words), note, source_line(study.recommendation.basis), curve)


def _cost_words(row: dict[str, object], costs: pd.DataFrame, currency: str) -> str:
    who = show_name(row["duty_cycle"]).capitalize()
    cost, interval = float(costs["cost"].min()), float(costs.loc[costs["cost"].idxmin(), "interval"])  # type: ignore[arg-type]
    text = f"{who}: the least cost is {show_number(cost)} {currency} per 1,000 miles at {show_number(interval)} miles."
    if not is_missing(row.get("low")) and not is_missing(row.get("high")):
        text += f" The flat zone runs from {show_number(float(row['low']))} to {show_number(float(row['high']))} miles."  # type: ignore[arg-type]
    return text


def picture_practice(study: Study) -> Picture | None:
    """Return failures per million miles by band of practised interval, with the fitted line."""
    bands = table_of(study.recommendation, "bands")
    lines = table_of(study.recommendation, "lines")
    if bands.empty:
        return None
    panels, words = [], []
    groups = bands.groupby(["component", "duty_cycle"], sort=False, dropna=False)
    for number, ((component, duty_cycle), rows) in enumerate(groups):
        line = lines
        if len(lines):
            line = lines.loc[(lines["component"] == component) & (lines["duty_cycle"] == duty_cycle)]
        label = f"{show_name(component).capitalize()}, {show_name(duty_cycle)}"
        spoken = "; ".join(
            f"{show_number(row['practised_low'])} to {show_number(row['practised_high'])} miles: "
            f"{show_interval(row['rate'], row['rate_low'], row['rate_high'], 'number')} per million, "
            f"{show_count(row['failures'])} failures"
            for row in records(rows)
        )
        words.append(f"{label}: {spoken}.")
        draw = partial(draw_practice, rows, line, scale="miles")
        panels.append(make_panel(f"practice-{number}", label, f"{label}: {spoken}.", draw))
    note = (
        "Squares: failures in each band, adjusted for age and class; crossbar: the band; upright: the range. "
        "Line: the fitted effect."
    )
    title = "What the regrease interval does to failures"
    return Picture("practice", title, tuple(panels), tuple(words), note, source_line(study.recommendation.basis), bands)


def picture_sensitivity(study: Study) -> Picture | None:
    """Return the effect of the interval seen in other ways, one chart per part."""
    seen = table_of(study.recommendation, "sensitivity")
    if seen.empty or "check" not in seen or seen["theta"].notna().sum() == 0:
        return None
    seen = seen.loc[seen["theta"].notna() & ~seen["check"].isin(NOT_AN_EFFECT)]
    panels, words = [], []
    for number, (component, rows) in enumerate(seen.groupby("component", sort=False)):
        drawn = ranges_of(rows.loc[rows["theta"].notna()], "check", "theta", "theta_low", "theta_high")
        if drawn.empty:
            continue
        name = show_name(component).capitalize()
        spoken = [f"{name}, {show_text(row['label'])}: theta {span_of(row)}." for row in records(drawn)]
        words += spoken
        draw = partial(draw_ranges, drawn, x="theta", y="Seen", even=0.0)
        panels.append(make_panel(f"sensitivity-{number}", name, " ".join(spoken), draw, rows=len(drawn)))
    greased = seen.loc[seen["check"] != "negative control", "theta"]
    title = f"Seen in {len(greased)} ways, the effect of the interval is above zero in {int((greased > 0).sum())}"
    note = (
        "Theta 0 (dashed): no effect. Theta 1: twice the interval, twice the failures. Dot: estimate; line: its range. "
        "A part that is not greased should lie on the dashed line."
    )
    source = source_line(study.recommendation.basis)
    return Picture("sensitivity", title, tuple(panels), tuple(words), note, source, seen)


def picture_gaps(study: Study) -> Picture | None:
    """Return how long the regrease gaps of the whole record really were, one chart per duty cycle."""
    gaps = study.history.gaps
    if gaps.empty:
        return None
    counted = gaps.loc[gaps["counted"].astype(bool)]
    current = {row["duty_cycle"]: row["current"] for row in records(table_of(study.recommendation, "regrease"))}
    panels, words, tables = [], [], []
    for number, (duty_cycle, rows) in enumerate(counted.groupby("duty_cycle", sort=True)):
        binned = _bin_gaps(rows["miles"].to_numpy(float))
        planned = _planned(study, str(duty_cycle))
        name = show_name(duty_cycle).capitalize()
        low, middle, high = np.percentile(rows["miles"], [5, 50, 95])
        alt = (
            f"{name}: half of {len(rows):,} gaps were under {show_number(middle)} miles; nine in ten lay between "
            f"{show_number(low)} and {show_number(high)}."
        )
        words.append(alt)
        panels.append(
            make_panel(f"gaps-{number}", name, alt, partial(draw_gaps, binned, planned=planned, scale="miles"))
        )
        tables.append(binned.assign(duty_cycle=duty_cycle, planned=planned, current=current.get(duty_cycle, np.nan)))
    if not panels:
        return None
    note = "Gaps cut by the start of the records, ended by a repair or next to a replacement are left out."
    title = "Regreasing as it is done, not as it is planned"
    source = source_line(study.history.basis)
    return Picture("gaps", title, tuple(panels), tuple(words), note, source, pd.concat(tables, ignore_index=True))


def _bin_gaps(miles: np.ndarray, bins: int = 24) -> pd.DataFrame:
    reach = float(np.percentile(miles, 99)) * 1.1 or 1.0
    counts, edges = np.histogram(np.minimum(miles, reach * 0.999), bins=bins, range=(0, reach))
    return pd.DataFrame({"low": edges[:-1], "high": edges[1:], "gaps": counts})


def _planned(study: Study, duty_cycle: str) -> float:
    plan = study.history.plan
    if plan.empty:
        return float("nan")
    own = plan.loc[(plan["duty_cycle"] == duty_cycle) & plan["interval_miles"].notna()]
    return float(own.sort_values("from_date", kind="stable")["interval_miles"].iloc[-1]) if len(own) else float("nan")

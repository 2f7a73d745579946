"""The pictures of the report: what each is drawn from, its message, and the same in words and as data."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from wearlab.evidence import Basis
from wearlab.show.decisions import cluster_name, records, table_of, verdict_of
from wearlab.show.document import show_text
from wearlab.show.figures import (
    is_missing,
    show_count,
    show_date,
    show_name,
    show_number,
    show_scale,
    show_whole,
)
from wearlab.show.plots import PANEL_HEIGHT, PANEL_WIDTH, draw_svg
from wearlab.show.plots_failures import draw_fan, draw_observed, draw_timeline
from wearlab.show.plots_lives import draw_bars, draw_life_curves, draw_ranges
from wearlab.show.plots_practice import Marks, draw_cost, draw_gaps, draw_practice
from wearlab.show.tables import show_interval
from wearlab.study import Study

LEVELS_SHOWN = 10


@dataclass(frozen=True, slots=True)
class Panel:
    """One chart of a picture: what it is about, and its SVG."""

    label: str
    svg: str


@dataclass(frozen=True, slots=True)
class Picture:
    """One or more charts with one message, told in ``words`` too and kept as ``data``."""

    name: str
    title: str
    panels: tuple[Panel, ...]
    words: tuple[str, ...]
    note: str
    source: str
    data: pd.DataFrame


def source_line(basis: Basis) -> str:
    """Return where a picture's numbers come from, in one line."""
    day = f", looking back from {show_date(basis.as_of)}" if basis.as_of else ""
    return f"Source: {show_text(basis.source)}{day}; {basis.lives:,} lives, {basis.failures:,} failures."


def _panel(name: str, label: str, alt: str, draw: Callable[..., object], *, rows: int = 0) -> Panel:
    height = max(150, 90 + 26 * rows) if rows else PANEL_HEIGHT
    return Panel(label, draw_svg(lambda ax: draw(ax=ax), name=name, alt=alt, width=PANEL_WIDTH, height=height))


def picture_lives(study: Study) -> Picture | None:
    """Return the life curves, one chart per part, one line per duty cycle."""
    curves, fits = table_of(study.fits, "curves"), table_of(study.fits, "fits")
    if curves.empty:
        return None
    scale = study.basis.scale
    panels, words = [], []
    for number, (component, rows) in enumerate(curves.groupby(_key(curves, "component"), sort=False, dropna=False)):
        line = [_life_words(row, scale) for row in records(fits) if row.get("component") in (component, None)]
        words += [text for text in line if text]
        drawn = rows.assign(group=_key(rows, "duty_cycle"))
        alt = f"Share of parts still good against {show_scale(scale)}. " + " ".join(filter(None, line))
        draw = partial(draw_life_curves, drawn, scale=scale)
        panels.append(_panel(f"life-{number}", show_name(component).capitalize(), alt, draw))
    note = (
        "Smooth line: fitted curve with its range. Stepped line: counted straight from the records. "
        "Under each chart: parts still being watched at that age."
    )
    title = _life_title(fits, scale)
    return Picture("life_curves", title, tuple(panels), tuple(words), note, source_line(study.fits.basis), curves)


def _key(frame: pd.DataFrame, column: str) -> pd.Series:
    return frame[column].fillna("all") if column in frame else pd.Series("all", index=frame.index, name=column)


def _life_words(row: dict[str, object], scale: str) -> str:
    who = ", ".join(show_name(row[key]) for key in ("component", "duty_cycle") if not is_missing(row.get(key)))
    if is_missing(row.get("b10")):
        return ""
    span = show_interval(row["b10"], row.get("b10_low"), row.get("b10_high"), "number")
    return f"{who.capitalize() or 'All parts'}: one in ten has failed by {span} {show_scale(scale)}."


def _life_title(fits: pd.DataFrame, scale: str) -> str:
    known = fits.dropna(subset=["b10"])
    if "component" not in known or "duty_cycle" not in known or known.empty:
        return "How long parts last"
    best: tuple[float, str] = (1.0, "")
    for component, rows in known.groupby("component", sort=False):
        if len(rows) < 2:
            continue
        ordered = records(rows.sort_values("b10", kind="stable"))
        low, high = ordered[0], ordered[-1]
        ratio = float(high["b10"]) / float(low["b10"])
        if ratio > best[0]:
            text = (
                f"{show_name(component).capitalize()}: one in ten has failed by {show_number(float(low['b10']), 2)} "
                f"{show_scale(scale)} in {show_name(low['duty_cycle'])} work, by {show_number(float(high['b10']), 2)} "
                f"in {show_name(high['duty_cycle'])}"
            )
            best = (ratio, text)
    return best[1] or "How long parts last"


def picture_classes(study: Study) -> Picture | None:
    """Return the B10 life of each class with its interval, one chart per part."""
    classes = table_of(study.comparison, "classes")
    if classes.empty or classes["b10"].notna().sum() == 0:
        return None
    scale = show_scale(study.basis.scale)
    panels, words = [], []
    for number, (component, rows) in enumerate(classes.groupby("component", sort=False, dropna=False)):
        drawn = _ranges(rows.loc[rows["b10"].notna()], "level", "b10", "b10_low", "b10_high")
        if drawn.empty:
            continue
        spoken = [f"{show_name(row['label'])} {_span(row)}" for row in records(drawn)]
        alt = f"{show_name(component).capitalize()}, B10 life in {scale}: {'; '.join(spoken)}."
        words.append(alt)
        draw = partial(draw_ranges, drawn, x=scale, y="B10 life")
        panels.append(_panel(f"b10-{number}", show_name(component).capitalize(), alt, draw, rows=len(drawn)))
    note = "Dot: best estimate. Line: its range. Ranges that overlap widely mean that the classes cannot be told apart."
    title = _class_title(study)
    return Picture(
        "class_lives", title, tuple(panels), tuple(words), note, source_line(study.comparison.basis), classes
    )


def _class_title(study: Study) -> str:
    contrasts = table_of(study.comparison, "contrasts")
    rows = [row for row in records(contrasts) if not is_missing(row.get("b10_ratio"))]
    if not rows:
        return "Classes side by side"
    row = max(rows, key=lambda entry: abs(np.log(entry["b10_ratio"])))
    ratio = float(row["b10_ratio"])
    span = show_interval(ratio, row.get("b10_ratio_low"), row.get("b10_ratio_high"), "ratio")
    return (
        f"A {show_name(row['component'])} in {show_name(row['level'])} work lasts {span} times "
        f"as long as in {show_name(row['reference'])}"
    )


def _ranges(frame: pd.DataFrame, label: str, value: str, low: str, high: str) -> pd.DataFrame:
    columns = {label: "label", value: "value", low: "low", high: "high"}
    return (
        frame.reindex(columns=list(columns))
        .rename(columns=columns)
        .astype({"value": float, "low": float, "high": float})
    )


def _span(row: dict[str, object]) -> str:
    return show_interval(row["value"], row["low"], row["high"], "number")


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
        panels.append(_panel(f"cost-{number}", show_name(row["duty_cycle"]).capitalize(), alt, draw))
    note = "Shaded: the flat zone, where cost is within 2 % of the least and the choice hardly matters."
    title = "Cost against the regrease interval: where it is flat, pick what suits the shop"
    return Picture("costs", title, tuple(panels), tuple(words), note, source_line(study.recommendation.basis), curve)


def _cost_words(row: dict[str, object], costs: pd.DataFrame, currency: str) -> str:
    who = show_name(row["duty_cycle"]).capitalize()
    cost, interval = float(costs["cost"].min()), float(costs.loc[costs["cost"].idxmin(), "interval"])  # type: ignore[arg-type]
    text = f"{who}: the least cost is {show_number(cost)} {currency} per 1,000 miles at {show_whole(interval)} miles."
    if not is_missing(row.get("low")) and not is_missing(row.get("high")):
        text += f" The flat zone runs from {show_whole(float(row['low']))} to {show_whole(float(row['high']))} miles."  # type: ignore[arg-type]
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
            f"{show_whole(row['practised_low'])} to {show_whole(row['practised_high'])} miles: "
            f"{show_interval(row['rate'], row['rate_low'], row['rate_high'], 'number')} per million, "
            f"{show_count(row['failures'])} failures"
            for row in records(rows)
        )
        words.append(f"{label}: {spoken}.")
        draw = partial(draw_practice, rows, line, scale="miles")
        panels.append(_panel(f"practice-{number}", label, f"{label}: {spoken}.", draw))
    note = (
        "Squares: failures in each band, adjusted for age and class; crossbar: the band; upright: the range. "
        "Line: the fitted effect."
    )
    title = "What the regrease interval does to failures"
    return Picture("practice", title, tuple(panels), tuple(words), note, source_line(study.recommendation.basis), bands)


def picture_gaps(study: Study) -> Picture | None:
    """Return how long the regrease gaps of the last two years really were, one chart per duty cycle."""
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
            f"{name}: half of {len(rows):,} gaps were under {show_whole(middle)} miles; nine in ten lay between "
            f"{show_whole(low)} and {show_whole(high)}."
        )
        words.append(alt)
        panels.append(_panel(f"gaps-{number}", name, alt, partial(draw_gaps, binned, planned=planned, scale="miles")))
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


def picture_observed(study: Study) -> Picture | None:
    """Return every truck's failures against those expected of it."""
    units = table_of(study.early, "units")
    if units.empty:
        return None
    drawn = units.assign(label=units["unit_id"].map(show_text))
    flagged = drawn.loc[drawn["flagged"].astype(bool)].sort_values(["q_value", "label"], kind="stable")
    words = [
        f"Truck {row['label']}, {show_name(row['component'])}: {show_count(row['observed'])} observed, "
        f"{show_number(float(row['expected']), 2)} expected."
        for row in records(flagged.head(LEVELS_SHOWN))
    ]
    count = flagged["unit_id"].nunique()
    title = (
        f"{count} {'truck stands' if count == 1 else 'trucks stand'} out from what the class explains"
        if count
        else "Every truck is within what its class explains"
    )
    alt = f"{title}. {len(units):,} pairs of truck and part. " + " ".join(words[:3])
    panel = _panel("observed", "All parts", alt, partial(draw_observed, drawn))
    note = (
        "Squares: flagged. Circles: the rest; the larger, the more trucks at that point. Dashed: as many as expected."
    )
    columns = ["unit_id", "component", "observed", "expected", "flagged"]
    return Picture(
        "observed", title, (panel,), tuple(words) or (alt,), note, source_line(study.early.basis), units[columns]
    )


def picture_cluster(study: Study, number: int) -> Picture | None:
    """Return one cluster's levels against chance and, where the result has it, its timeline."""
    cluster = study.clusters[number]
    levels = table_of(cluster, "levels")
    if levels.empty:
        return None
    verdict = verdict_of(cluster)
    name = cluster_name(cluster)
    top = levels.sort_values(["p_adjusted", "p_value", "factor", "level"], kind="stable").head(LEVELS_SHOWN)
    label = top["factor"].map(show_name) + " " + top["level"].map(show_text)
    drawn = _ranges(top.assign(label=label), "label", "ratio", "ratio_low", "ratio_high")
    drawn["marked"] = ((top["factor"] == verdict.get("factor")) & (top["level"] == verdict.get("level"))).to_numpy() & (
        verdict.get("found") != "nothing"
    )
    words = [f"{row['label']}: {_span(row)} times the expected failures." for row in records(drawn)]
    alt = f"{name.capitalize()}, observed to expected failures by level. " + " ".join(words[:4])
    draw = partial(draw_ranges, drawn, x="observed ÷ expected failures", y="Level", even=1.0)
    panels = [
        _panel(
            f"levels-{number}", f"{name.capitalize()}: the {len(drawn)} most unusual levels", alt, draw, rows=len(drawn)
        )
    ]
    panels += _timeline_panels(table_of(cluster, "timeline"), name, number)
    note = (
        "Dashed: as many as expected. Square: the level that the verdict names. Its range does not allow for the "
        "search through all levels; the verdict does."
    )
    title = _cluster_title(name, verdict)
    source = source_line(cluster.basis)
    return Picture(f"cluster_{number + 1}", title, tuple(panels), tuple(words), note, source, levels)


def _timeline_panels(timeline: pd.DataFrame, name: str, number: int) -> list[Panel]:
    panels = []
    for what, suspect, every in (("Failures", "failures", "failures_all"), ("Fittings", "fitted", "fitted_all")):
        if not {"month", suspect, every} <= set(timeline):
            continue
        months = timeline[["month", suspect, every]].rename(columns={suspect: "suspect", every: "observed"})
        months = months.loc[months["observed"] > 0]
        if months.empty:
            continue
        alt = (
            f"{what} of {name} by month, {months['month'].iloc[0]} to {months['month'].iloc[-1]}: "
            f"{show_count(months['observed'].sum())} in all, {show_count(months['suspect'].sum())} with the suspect "
            f"property; most of those in {months.loc[months['suspect'].idxmax(), 'month']}."
        )
        draw = partial(draw_timeline, months, y=f"{what} a month")
        panels.append(_panel(f"{what.lower()}-{number}", f"{name.capitalize()}: {what.lower()} by month", alt, draw))
    return panels


def _cluster_title(name: str, verdict: dict[str, object]) -> str:
    if verdict.get("found") in ("found", "suspected"):
        level = f"{show_name(verdict.get('factor'))} {show_text(verdict.get('level'))}"
        return f"{name.capitalize()} failures {'gather' if verdict['found'] == 'found' else 'may gather'} at {level}"
    return f"{name.capitalize()} failures: no level stands out beyond chance"


def picture_forecast(study: Study) -> Picture | None:
    """Return the expected failures ahead by group, with their ranges."""
    totals = table_of(study.forecast, "totals")
    if totals.empty:
        return None
    drawn = _ranges(totals, "group", "expected", "low", "high").head(LEVELS_SHOWN + 3)
    words = [f"{show_name(row['label']).capitalize()}: {_span(row)}." for row in records(drawn)]
    first = records(drawn)[0]
    ahead = f"the next {study.settings.months} months" if study.settings.ahead is None else "the time ahead"
    title = f"About {show_number(float(first['value']), 2)} failures in {ahead}"
    groups = drawn.iloc[1:] if len(drawn) > 1 else drawn
    alt = f"{title}. " + " ".join(words[1:5])
    draw = partial(draw_bars, groups, x="failures", y="Expected failures by group")
    panels = [_panel("forecast", "By part and duty cycle", alt, draw, rows=len(groups))]
    months = table_of(study.forecast, "by_month")
    if len(months) > 1:
        draw = partial(draw_fan, months)
        panels.append(_panel("forecast-months", "Month by month, summed", f"{title}, growing month by month.", draw))
    note = "Bar and line: to be counted on. Whisker and band: range that holds chance and doubt together."
    return Picture("forecast", title, tuple(panels), tuple(words), note, source_line(study.forecast.basis), totals)

"""Pictures of failures: too many, and in company."""

from functools import partial

import numpy as np
import pandas as pd

from wearlab.show.decisions import cluster_name, verdict_of
from wearlab.show.document import show_text
from wearlab.show.figures import show_count, show_name, show_number
from wearlab.show.pictures import PANELS_SHOWN, Panel, Picture, make_panel, ranges_of, source_line, span_of
from wearlab.show.plots_failures import draw_observed, draw_timeline
from wearlab.show.plots_lives import draw_ranges
from wearlab.show.sentences import records, table_of
from wearlab.study import Study

LEVELS_SHOWN = 10


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
    panel = make_panel("observed", "All parts", alt, partial(draw_observed, drawn))
    note = (
        "Squares: flagged. Circles: the rest; the larger, the more trucks at that point. Dashed: as many as expected."
    )
    columns = ["unit_id", "component", "observed", "expected", "flagged"]
    return Picture(
        "observed", title, (panel,), tuple(words) or (alt,), note, source_line(study.early.basis), units[columns]
    )


def picture_cohorts(study: Study) -> Picture | None:
    """Return failures observed and expected by the quarter in which parts were fitted, one chart per part."""
    panels: list[Panel] = []
    words, data, worst = [], [], (0.0, "")
    for number, cluster in enumerate(study.clusters):
        quarters = _by_quarter(table_of(cluster, "levels"))
        if len(quarters) < 2:
            continue
        name = cluster_name(cluster)
        data.append(quarters.assign(component=name))
        row = records(quarters.loc[[(quarters["observed"] - quarters["expected"]).idxmax()]])[0]
        said = (
            f"{name}s fitted in {row['quarter']} failed {show_count(row['observed'])} times where "
            f"{show_number(row['expected'], 2)} were to be expected"
        )
        words.append(f"{said[0].upper()}{said[1:]}, the widest excess of {len(quarters)} quarters.")
        excess = (row["observed"] - row["expected"]) / np.sqrt(row["expected"] + 1.0)
        worst = max(worst, (float(excess), f"{said[0].upper()}{said[1:]}"))
        draw = partial(draw_timeline, quarters, y="Failures of the parts fitted in a quarter", x="fitted", days=70)
        if len(panels) < PANELS_SHOWN:
            panels.append(make_panel(f"cohort-{number}", name.capitalize(), words[-1], draw))
    if not panels:
        return None
    note = (
        "Bars: failures so far of the parts fitted in that quarter. Line: as many as their ages and classes lead one "
        "to expect. Single quarters stand out by chance too; whether one is more than that is for the verdicts below."
    )
    source = source_line(study.history.basis)
    return Picture("cohorts", worst[1], tuple(panels), tuple(words), note, source, pd.concat(data, ignore_index=True))


def _by_quarter(levels: pd.DataFrame) -> pd.DataFrame:
    """Return ``month`` (the middle of the quarter), ``quarter``, ``observed``, ``expected`` by the day of fitting."""
    if "factor" not in levels:
        return pd.DataFrame()
    months = levels.loc[levels["factor"] == "fitted_month", ["level", "observed", "expected"]]
    first = pd.to_datetime(months["level"], format="%Y-%m", errors="coerce")
    known = months.assign(period=first.dt.to_period("Q")).loc[first.notna()]
    quarters = known.groupby("period", sort=True)[["observed", "expected"]].sum().reset_index()
    return pd.DataFrame(
        {
            "month": quarters["period"].dt.start_time + pd.Timedelta(days=45),
            "quarter": [f"quarter {period.quarter} of {period.year}" for period in quarters["period"]],
            "observed": quarters["observed"].astype(float),
            "expected": quarters["expected"].astype(float),
        }
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
    label = top["factor"].map(show_name) + " " + top["level"].map(show_name)
    drawn = ranges_of(top.assign(label=label), "label", "ratio", "ratio_low", "ratio_high")
    drawn["marked"] = ((top["factor"] == verdict.get("factor")) & (top["level"] == verdict.get("level"))).to_numpy() & (
        verdict.get("found") != "nothing"
    )
    words = [f"{row['label']}: {span_of(row)} times the expected failures." for row in records(drawn)]
    alt = f"{name.capitalize()}, observed to expected failures by level. " + " ".join(words[:4])
    draw = partial(draw_ranges, drawn, x="observed ÷ expected failures", y="Level", even=1.0)
    panels = [
        make_panel(
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
        panels.append(
            make_panel(f"{what.lower()}-{number}", f"{name.capitalize()}: {what.lower()} by month", alt, draw)
        )
    return panels


def _cluster_title(name: str, verdict: dict[str, object]) -> str:
    if verdict.get("found") in ("found", "suspected"):
        level = f"{show_name(verdict.get('factor'))} {show_name(verdict.get('level'))}"
        return f"{name.capitalize()} failures {'gather' if verdict['found'] == 'found' else 'may gather'} at {level}"
    return f"{name.capitalize()} failures: no level stands out beyond chance"

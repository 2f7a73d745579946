"""Pictures of regreasing: its cost, its effect, and how it is really done."""

from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from wearlab.show.decisions import is_changed
from wearlab.show.document import show_text
from wearlab.show.figures import is_missing, show_count, show_name, show_number, show_share
from wearlab.show.pictures import Picture, busiest, largest, make_panel, ranges_of, source_line
from wearlab.show.plots_lives import draw_ranges
from wearlab.show.plots_practice import BAND, Marks, draw_cost, draw_gaps, draw_life_by_interval, draw_practice
from wearlab.show.sentences import records, table_of
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
    some, fewer = _busy_classes(regrease)
    for number, row in enumerate(records(some)):
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
    note = (
        "Shaded: the flat zone, where cost is within 2 % of the least and the choice hardly matters. "
        f"Dotted: beyond what the fleet has practised.{fewer}"
    )
    source = source_line(study.recommendation.basis)
    return Picture("costs", _cost_title(regrease), tuple(panels), tuple(words), note, source, curve)


def _busy_classes(regrease: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    """Return the classes with the most failures behind them, as many as a picture holds, and a note."""
    weight = regrease.set_index("duty_cycle")["failures"] if "failures" in regrease else pd.Series(dtype=float)
    return largest(regrease, "duty_cycle", weight, what="duty cycles")


def _cost_title(regrease: pd.DataFrame) -> str:
    """Return in one sentence where it pays to regrease sooner, where later, and where neither is shown."""
    ways: dict[str, list[str]] = {"sooner": [], "later": [], "as today": []}
    for row in records(regrease):
        if is_changed(row):
            way = "sooner" if float(row["recommended"]) < float(row["current"]) else "later"
        else:
            way = "as today"
        ways[way].append(show_name(row["duty_cycle"]))
    said = [f"{way} in {_some(names)}" for way, names in ways.items() if names]
    return f"By what it costs, regrease {', '.join(said)}"


def _some(names: list[str]) -> str:
    shown = names[:3] if len(names) <= 3 else [*names[:2], f"{len(names) - 2} more"]
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"


def _cost_words(row: dict[str, object], costs: pd.DataFrame, currency: str) -> str:
    who = show_name(row["duty_cycle"]).capitalize()
    if "in_practised_range" in costs and costs["in_practised_range"].any():
        costs = costs.loc[costs["in_practised_range"].astype(bool)]
    cost, interval = float(costs["cost"].min()), float(costs.loc[costs["cost"].idxmin(), "interval"])  # type: ignore[arg-type]
    least = f"{show_number(cost)} {currency} per 1,000 miles at {show_number(interval)} miles"
    text = f"{who}: of what is practised the least cost is {least}."
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
    keyed = bands.assign(pair=bands["component"].astype(str) + ", " + bands["duty_cycle"].astype(str))
    some, fewer = largest(keyed, "pair", keyed.groupby("pair")["failures"].sum(), what="parts and duty cycles")
    groups = some.groupby(["component", "duty_cycle"], sort=False, dropna=False)
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
        f"Line: the fitted effect.{fewer}"
    )
    title = _effect_title(table_of(study.recommendation, "effects"))
    return Picture("practice", title, tuple(panels), tuple(words), note, source_line(study.recommendation.basis), bands)


def _effect_title(effects: pd.DataFrame) -> str:
    """Return the surest effect of the interval in one sentence, or that none is sure."""
    known = effects.dropna(subset=["theta", "theta_low", "theta_high"]) if "theta" in effects else effects.head(0)
    sure = known.loc[known["theta_low"] > 0] if len(known) else known
    if sure.empty:
        return "Whether a longer interval breaks more parts cannot be told from these records"
    row = records(sure.loc[[sure["theta_low"].idxmax()]])[0]
    times, low, high = (2 ** float(row[name]) for name in ("theta", "theta_low", "theta_high"))
    span = show_interval(times, low, high, "ratio")
    where, part = show_name(row["duty_cycle"]), show_name(row["component"])
    return f"In {where} work twice the interval means {span} times the {part} failures"


def picture_life_by_interval(study: Study) -> Picture | None:
    """Return the B10 life against the regrease interval, one chart per duty cycle, one line per part."""
    tried, regrease = table_of(study.recommendation, "tried"), table_of(study.recommendation, "regrease")
    bands = table_of(study.recommendation, "bands").reindex(columns=["component", "duty_cycle", *BAND])
    if "b10" not in tried or tried["b10"].notna().sum() == 0 or regrease.empty:
        return None
    lives = tried.loc[tried["b10"].notna()]
    some, fewer = _busy_classes(regrease.loc[regrease["duty_cycle"].isin(lives["duty_cycle"])])
    panels, words, left_out = [], [], ""
    for number, row in enumerate(records(some)):
        rows = lives.loc[lives["duty_cycle"] == row["duty_cycle"]].assign(group=lives["component"])
        drawn, note = busiest(rows, rows.groupby("group")["failures_per_100_truck_years"].max())
        left_out = left_out or note
        name = show_name(row["duty_cycle"]).capitalize()
        spoken = "; ".join(_life_at_ends(str(part), mine) for part, mine in drawn.groupby("group", sort=False))
        alt = f"{name}: {spoken}."
        words.append(alt)
        draw = partial(draw_life_by_interval, drawn, _evidence(bands, row["duty_cycle"]))
        panels.append(make_panel(f"life-by-interval-{number}", name, alt, draw, more=18))
    if not panels:
        return None
    note = (
        "Line: the mileage by which one part in ten fails, if the truck is always greased at that interval; its range "
        "around it. Strips: how trucks of the class are greased, with the failures seen there: the evidence."
        f"{left_out}{fewer}"
    )
    title = _life_title(lives)
    source = source_line(study.recommendation.basis)
    return Picture("life_by_interval", title, tuple(panels), tuple(words), note, source, lives)


def _evidence(bands: pd.DataFrame, duty_cycle: object) -> pd.DataFrame:
    """Return the bands of practice of one class, those of the part with the most failures."""
    own = bands.loc[bands["duty_cycle"] == duty_cycle]
    if own.empty:
        return own
    most = own.groupby("component", sort=True)["failures"].sum().idxmax()
    return own.loc[own["component"] == most].sort_values("practised_low", kind="stable")


def _ends_of(rows: pd.DataFrame) -> tuple[dict[str, Any], dict[str, Any]]:
    ordered = records(rows.sort_values("interval", kind="stable"))
    return ordered[0], ordered[-1]


def _life_at_ends(part: str, rows: pd.DataFrame) -> str:
    short, long = _ends_of(rows)
    lives = [show_interval(row["b10"], row["b10_low"], row["b10_high"], "number") for row in (short, long)]
    return (
        f"{show_name(part)}, one in ten failed by {lives[0]} miles at {show_number(short['interval'])} miles a stop, "
        f"by {lives[1]} at {show_number(long['interval'])}"
    )


def _life_title(lives: pd.DataFrame) -> str:
    """Return the largest gain of life from the longest to the shortest interval tried, in one sentence."""
    pairs = [_ends_of(rows) for _, rows in lives.groupby(["duty_cycle", "component"], sort=False)]
    short, long = max(pairs, key=lambda ends: ends[0]["b10"] / ends[1]["b10"])
    return (
        f"{show_name(short['component']).capitalize()}, {show_name(short['duty_cycle'])}: one in ten fails by "
        f"{show_number(short['b10'], 2)} miles at {show_number(short['interval'], 2)} miles a stop, by "
        f"{show_number(long['b10'], 2)} at {show_number(long['interval'], 2)}"
    )


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
        spoken = [
            f"{name}, {show_text(row['label'])}: theta {show_interval(row['value'], row['low'], row['high'], 'ratio')}."
            for row in records(drawn)
        ]
        words += spoken
        draw = partial(
            draw_ranges, drawn, x="theta: 0 no effect, 1 failures double with the interval", y="Seen", even=0.0
        )
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
    counted = gaps.loc[gaps["counted"].astype(bool), ["duty_cycle", "miles"]]
    counted, fewer = largest(counted, "duty_cycle", counted.groupby("duty_cycle").size(), what="duty cycles")
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
    note = f"Gaps cut by the start of the records, ended by a repair or next to a replacement are left out.{fewer}"
    title = _gaps_title(table_of(study.recommendation, "today"))
    source = source_line(study.history.basis)
    return Picture("gaps", title, tuple(panels), tuple(words), note, source, pd.concat(tables, ignore_index=True))


def _gaps_title(today: pd.DataFrame) -> str:
    """Return where the plan is kept least, in one sentence."""
    known = today.dropna(subset=["share_over_plan"]) if "share_over_plan" in today else today.head(0)
    if known.empty:
        return "Regreasing as it is done, not as it is planned"
    row = records(known.loc[[known["share_over_plan"].idxmax()]])[0]
    share, planned = show_share(float(row["share_over_plan"])), show_number(float(row["planned_miles"]))
    return f"In {show_name(row['duty_cycle'])} work {share} of the stops come later than the planned {planned} miles"


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

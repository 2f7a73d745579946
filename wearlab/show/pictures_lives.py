"""Pictures of lives: the curves, the points on Weibull paper, and the classes side by side."""

from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from wearlab.curves.fit import Fits
from wearlab.show.figures import in_larger_unit, is_missing, show_count, show_name, show_scale, show_value
from wearlab.show.pictures import Picture, busiest, key_of, largest, make_panel, ranges_of, source_line, span_of
from wearlab.show.plots import as_file, draw_svg
from wearlab.show.plots_lives import draw_life_curves, draw_paper, draw_ranges
from wearlab.show.sentences import class_title, life_title, life_words, records, table_of
from wearlab.show.tables import show_interval
from wearlab.study import Study

POINTS_SHOWN, CLASSES_SHOWN = 40, 20


@dataclass(frozen=True, slots=True)
class Shown:
    """What a chart of ranges shows: a column, ``times`` its numbers, and the words of its axes."""

    name: str
    column: str
    times: float
    y: str
    x: str


def picture_lives(study: Study) -> Picture | None:
    """Return the life curves, one chart per part, one line per duty cycle."""
    curves, fits = table_of(study.fits, "curves"), table_of(study.fits, "fits")
    if curves.empty:
        return None
    scale = study.basis.scale
    panels, words, left_out = [], [], ""
    parts = curves.assign(part=key_of(curves, "component"))
    some, fewer = largest(parts, "part", parts.groupby("part")["at_risk"].max(), what="parts")
    for number, (component, rows) in enumerate(some.groupby("part", sort=False)):
        line = [life_words(row, scale) for row in records(fits) if row.get("component") in (component, None)]
        words += [text for text in line if text]
        drawn = rows.assign(group=key_of(rows, "duty_cycle"))
        drawn, note = busiest(drawn, drawn.groupby("group")["at_risk"].max())
        left_out = left_out or note
        alt = f"Share of parts still good against {show_scale(scale)}. " + " ".join(filter(None, line))
        draw = partial(draw_life_curves, drawn, scale=scale)
        more = 18 * max(0, drawn["group"].nunique() - 2)
        panels.append(make_panel(f"life-{number}", show_name(component).capitalize(), alt, draw, more=more))
    note = (
        "Smooth line: fitted curve with its range. Stepped line: counted straight from the records. "
        f"Under each chart: parts still being watched at that age.{left_out}{fewer}"
    )
    title = life_title(fits, scale)
    return Picture("life_curves", title, tuple(panels), tuple(words), note, source_line(study.fits.basis), curves)


def picture_classes(study: Study) -> Picture | None:
    """Return the B10 life of each class with its interval, one chart per part."""
    title = class_title(table_of(study.comparison, "contrasts"))
    note = "Dot: best estimate. Line: its range. Ranges that overlap widely mean that the classes cannot be told apart."
    unit, factor = in_larger_unit("{scale}", show_scale(study.basis.scale))
    shown = Shown("class_lives", "b10", factor, "B10 life", unit.replace("{scale}", show_scale(study.basis.scale)))
    return _class_ranges(study, shown, title, note)


def picture_rates(study: Study) -> Picture | None:
    """Return the failures per million of each class with their interval, one chart per part."""
    classes = table_of(study.comparison, "classes")
    if "rate_per_million" not in classes or classes["rate_per_million"].notna().sum() == 0:
        return None
    unit, factor = in_larger_unit("per million {scale}", show_scale(study.basis.scale))
    unit = unit.replace("{scale}", show_scale(study.basis.scale))
    worst = records(classes.loc[[classes["rate_per_million"].idxmax()]])[0]
    rate, low, high = (factor * float(worst[f"rate_per_million{end}"]) for end in ("", "_low", "_high"))
    span = show_interval(rate, low, high, "number")
    part = "Parts" if is_missing(worst["component"]) else f"{show_name(worst['component']).capitalize()}s"
    title = f"{part} in {show_name(worst['level'])} work fail most often: {span} {unit}"
    note = "Dot: failures over all miles watched, whatever the age of the part. Line: its range."
    shown = Shown("class_rates", "rate_per_million", factor, "Failures", f"failures {unit}")
    return _class_ranges(study, shown, title, note)


def _class_ranges(study: Study, shown: Shown, title: str, note: str) -> Picture | None:
    column, x, y = shown.column, shown.x, shown.y
    classes = table_of(study.comparison, "classes")
    if classes.empty or classes[column].notna().sum() == 0:
        return None
    classes = classes.assign(part=key_of(classes, "component"))
    some, fewer = largest(classes, "part", classes.groupby("part")["failures"].sum(), what="parts")
    panels, words = [], []
    for number, (component, rows) in enumerate(some.groupby("part", sort=False)):
        kept = _largest(rows.loc[rows[column].notna()])
        drawn = ranges_of(kept, "level", column, f"{column}_low", f"{column}_high")
        drawn[["value", "low", "high"]] *= shown.times
        if drawn.empty:
            continue
        spoken = [f"{show_name(row['label'])} {span_of(row)}" for row in records(drawn)]
        alt = f"{show_name(component).capitalize()}, {y} in {x}: {'; '.join(spoken)}."
        words.append(alt)
        draw = partial(draw_ranges, drawn, x=x, y=y)
        panels.append(
            make_panel(f"{shown.name}-{number}", show_name(component).capitalize(), alt, draw, rows=len(drawn))
        )
    if classes.groupby("part").size().max() > CLASSES_SHOWN:
        note += f" Drawn are the {CLASSES_SHOWN} classes with the most failures; the data have all of them."
    source = source_line(study.comparison.basis)
    return Picture(shown.name, title, tuple(panels), tuple(words), note + fewer, source, classes.drop(columns="part"))


def _largest(classes: pd.DataFrame) -> pd.DataFrame:
    """Return the classes with the most failures, at most CLASSES_SHOWN, in their own order."""
    if len(classes) <= CLASSES_SHOWN:
        return classes
    kept = classes.sort_values("failures", ascending=False, kind="stable").index[:CLASSES_SHOWN]
    return classes.loc[classes.index.isin(kept)]


def picture_paper(study: Study) -> Picture | None:
    """Return the failures on Weibull paper, one chart per part, one line per duty cycle."""
    paper = table_of(study.fits, "paper")
    if paper.empty:
        return None
    scale = study.basis.scale
    checks = {_who(row): row for row in records(table_of(study.fits, "checks"))}
    panels, words, left_out = [], [], ""
    parts = paper.assign(part=key_of(paper, "component"))
    some, fewer = largest(parts, "part", parts.groupby("part").size(), what="parts")
    for number, (component, rows) in enumerate(some.groupby("part", sort=False)):
        drawn = rows.assign(group=key_of(rows, "duty_cycle"))
        drawn, note = busiest(drawn, drawn.groupby("group").size())
        left_out = left_out or note
        groups = drawn.groupby("group", sort=False)
        spoken = [_paper_words(str(component), str(name), part, checks) for name, part in groups]
        words += spoken
        thinned = pd.concat([_thin(part) for _, part in groups], ignore_index=True)
        draw = partial(draw_paper, thinned, scale=scale)
        alt = f"Failures on Weibull paper against {show_scale(scale)}. {' '.join(spoken)}"
        panels.append(make_panel(f"paper-{number}", show_name(component).capitalize(), alt, draw))
    bent = [
        name
        for name, row in checks.items()
        if not is_missing(row.get("straightness_p")) and row["straightness_p"] < 0.05
    ]
    title = (
        f"On Weibull paper {len(bent)} of {len(checks)} curves bend more than chance would: look for mixed causes"
        if bent
        else "On Weibull paper the failures follow straight lines"
    )
    note = (
        "Marks: failures at their adjusted ranks. Line: the fitted curve. Points that leave it tell of mixed causes."
        f"{left_out}{fewer}"
    )
    return Picture("paper", title, tuple(panels), tuple(words), note, source_line(study.fits.basis), paper)


def draw_paper_file(fits: Fits) -> str:
    """Return the failures of every stratum on Weibull paper as one SVG file; strata beyond the busiest are left out."""
    paper = fits.tables()["paper"]
    names = [name for name, _ in fits.items[0].stratum] if fits.items else []
    group = paper[names].astype(str).agg(", ".join, axis=1) if names else pd.Series("all", index=paper.index)
    drawn = paper.assign(group=group)
    drawn, _ = busiest(drawn, drawn.groupby("group").size())
    thinned = pd.concat([_thin(part) for _, part in drawn.groupby("group", sort=False)], ignore_index=True)
    alt = f"Failures on Weibull paper against {show_scale(fits.basis.scale)}"
    scale = fits.basis.scale
    return as_file(draw_svg(lambda ax: draw_paper(thinned, ax=ax, scale=scale), name="paper", alt=alt))


def _who(row: dict[str, object]) -> str:
    names = [show_name(row[key]) for key in ("component", "duty_cycle") if not is_missing(row.get(key))]
    return ", ".join(names) or "all parts"


def _paper_words(component: str, group: str, rows: pd.DataFrame, checks: dict[str, dict[str, object]]) -> str:
    who = _who(
        {"component": None if component == "all" else component, "duty_cycle": None if group == "all" else group}
    )
    check = checks.get(who, {})
    straight = check.get("straightness_p")
    said = f"{who.capitalize()}: {show_count(len(rows))} failures"
    if is_missing(straight):
        return f"{said}."
    return f"{said}; chance bends them as much with p = {show_value(straight, 'chance')}."


def _thin(rows: pd.DataFrame) -> pd.DataFrame:
    """Return at most POINTS_SHOWN of a line's points, evenly picked, the first and the last among them."""
    if len(rows) <= POINTS_SHOWN:
        return rows
    return rows.iloc[np.unique(np.linspace(0, len(rows) - 1, POINTS_SHOWN).round().astype(int))]

"""Pictures of lives: the curves, the points on Weibull paper, and the classes side by side."""

from functools import partial

import numpy as np
import pandas as pd

from wearlab.curves.fit import Fits
from wearlab.show.decisions import class_title, life_title, life_words, records, table_of
from wearlab.show.figures import is_missing, show_count, show_name, show_scale, show_value
from wearlab.show.pictures import Picture, busiest, key_of, make_panel, ranges_of, source_line, span_of
from wearlab.show.plots import as_file, draw_svg
from wearlab.show.plots_lives import draw_life_curves, draw_paper, draw_ranges
from wearlab.study import Study

POINTS_SHOWN, CLASSES_SHOWN = 40, 20


def picture_lives(study: Study) -> Picture | None:
    """Return the life curves, one chart per part, one line per duty cycle."""
    curves, fits = table_of(study.fits, "curves"), table_of(study.fits, "fits")
    if curves.empty:
        return None
    scale = study.basis.scale
    panels, words, left_out = [], [], ""
    for number, (component, rows) in enumerate(curves.groupby(key_of(curves, "component"), sort=False, dropna=False)):
        line = [life_words(row, scale) for row in records(fits) if row.get("component") in (component, None)]
        words += [text for text in line if text]
        drawn = rows.assign(group=key_of(rows, "duty_cycle"))
        drawn, left_out = busiest(drawn, drawn.groupby("group")["at_risk"].max())
        alt = f"Share of parts still good against {show_scale(scale)}. " + " ".join(filter(None, line))
        draw = partial(draw_life_curves, drawn, scale=scale)
        more = 18 * max(0, drawn["group"].nunique() - 2)
        panels.append(make_panel(f"life-{number}", show_name(component).capitalize(), alt, draw, more=more))
    note = (
        "Smooth line: fitted curve with its range. Stepped line: counted straight from the records. "
        f"Under each chart: parts still being watched at that age.{left_out}"
    )
    title = life_title(fits, scale)
    return Picture("life_curves", title, tuple(panels), tuple(words), note, source_line(study.fits.basis), curves)


def picture_classes(study: Study) -> Picture | None:
    """Return the B10 life of each class with its interval, one chart per part."""
    classes = table_of(study.comparison, "classes")
    if classes.empty or classes["b10"].notna().sum() == 0:
        return None
    scale = show_scale(study.basis.scale)
    panels, words = [], []
    for number, (component, rows) in enumerate(classes.groupby("component", sort=False, dropna=False)):
        drawn = ranges_of(_largest(rows.loc[rows["b10"].notna()]), "level", "b10", "b10_low", "b10_high")
        if drawn.empty:
            continue
        spoken = [f"{show_name(row['label'])} {span_of(row)}" for row in records(drawn)]
        alt = f"{show_name(component).capitalize()}, B10 life in {scale}: {'; '.join(spoken)}."
        words.append(alt)
        draw = partial(draw_ranges, drawn, x=scale, y="B10 life")
        panels.append(make_panel(f"b10-{number}", show_name(component).capitalize(), alt, draw, rows=len(drawn)))
    note = "Dot: best estimate. Line: its range. Ranges that overlap widely mean that the classes cannot be told apart."
    if classes.groupby("component", dropna=False).size().max() > CLASSES_SHOWN:
        note += f" Drawn are the {CLASSES_SHOWN} classes with the most failures; the data have all of them."
    title = class_title(table_of(study.comparison, "contrasts"))
    return Picture(
        "class_lives", title, tuple(panels), tuple(words), note, source_line(study.comparison.basis), classes
    )


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
    for number, (component, rows) in enumerate(paper.groupby(key_of(paper, "component"), sort=False)):
        drawn = rows.assign(group=key_of(rows, "duty_cycle"))
        drawn, left_out = busiest(drawn, drawn.groupby("group").size())
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
        f"{left_out}"
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

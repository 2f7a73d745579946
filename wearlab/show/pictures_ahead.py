"""Pictures of what lies ahead: the forecast, and how it did when it was tried on the past."""

from functools import partial
from typing import Any

import pandas as pd

from wearlab.show.figures import show_date, show_name, show_share
from wearlab.show.pictures import Panel, Picture, make_panel, ranges_of, source_line, span_of
from wearlab.show.plots_failures import draw_calibration, draw_fan
from wearlab.show.plots_lives import draw_bars, draw_ranges
from wearlab.show.sentences import ahead_words, records, stock_title, table_of, tried_words
from wearlab.show.tables import show_interval
from wearlab.study import Study

GROUPS_SHOWN = 12
SPAN = ("expected", "low", "high")


def picture_forecast(study: Study) -> Picture | None:
    """Return the expected failures ahead by group, with their ranges."""
    totals = table_of(study.forecast, "totals")
    if totals.empty:
        return None
    drawn = ranges_of(totals, "group", "expected", "low", "high")
    groups_left = len(drawn) - 1 - GROUPS_SHOWN
    kept = drawn.iloc[1:].sort_values("value", ascending=False, kind="stable").index[:GROUPS_SHOWN]
    drawn = drawn.loc[[drawn.index[0], *(index for index in drawn.index[1:] if index in kept)]]
    words = [f"{show_name(row['label']).capitalize()}: {span_of(row)}." for row in records(drawn)]
    first = records(drawn)[0]
    ahead = ahead_words(study.settings.months) if study.settings.ahead is None else "the time ahead"
    title = stock_title(totals, ahead)
    groups = drawn.iloc[1:] if len(drawn) > 1 else drawn
    alt = f"{title}. " + " ".join(words[1:5])
    draw = partial(draw_bars, groups, x="failures", y="Expected failures by group")
    panels = [make_panel("forecast", "By part and duty cycle", alt, draw, rows=len(groups))]
    months = table_of(study.forecast, "by_month")
    if len(months) > 1:
        draw = partial(draw_fan, months)
        panels.append(
            make_panel("forecast-months", "Month by month, summed", f"{title}, growing month by month.", draw)
        )
    tried = table_of(study.backtest, "backtest")
    if len(tried):
        panels.append(_tried_panel(tried, first, study))
        words += tried_words(tried)
    note = (
        "Bar and line: to be counted on. Whisker and band: range that holds chance and doubt together."
        + (" Squares: what happened after a forecast made from what was known on that day." if len(tried) else "")
        + (f" Drawn are the {GROUPS_SHOWN} largest of {len(totals) - 1} groups." if groups_left > 0 else "")
    )
    return Picture("forecast", title, tuple(panels), tuple(words), note, source_line(study.forecast.basis), totals)


def _tried_panel(tried: pd.DataFrame, ahead: dict[str, Any], study: Study) -> Panel:
    """Return earlier forecasts with what happened, and this one under them."""
    rows = ranges_of(tried.assign(label=[f"made {show_date(day)}" for day in tried["as_of"]]), "label", *SPAN)
    rows["seen"] = tried["observed"].to_numpy(float)
    now = {"label": "this forecast", "value": ahead["value"], "low": ahead["low"], "high": ahead["high"]}
    drawn = pd.concat([rows, pd.DataFrame([now])], ignore_index=True)
    alt = " ".join(tried_words(tried))
    draw = partial(draw_ranges, drawn, x=f"failures in {study.settings.months} months", y="Forecasts and what happened")
    return make_panel("forecast-tried", "Tried on the past", alt, draw, rows=len(drawn))


def picture_calibration(study: Study) -> Picture | None:
    """Return how many parts of each group of rising chance failed against how many should have."""
    table = table_of(study.backtest, "calibration")
    if table.empty or not {"share_expected", "share_observed"} <= set(table):
        return None
    words = [
        f"Group {row['risk_group']:.0f}: {show_share(float(row['share_expected']))} expected to fail, "
        f"{show_interval(row['share_observed'], row['share_low'], row['share_high'], 'share')} did."
        for row in records(table)
    ]
    held = (table["share_low"] <= table["share_expected"]) & (table["share_expected"] <= table["share_high"])
    title = (
        f"Parts with a higher forecast chance {'did fail' if _rises(table) else 'did not always fail'} more often; "
        f"{int(held.sum())} of {len(table)} groups as forecast"
    )
    alt = f"{title}. {words[0]} {words[-1]}"
    draw = partial(draw_calibration, table)
    panel = make_panel("calibration", "Parts in groups of rising chance", alt, draw)
    note = "Dot: share of the group that failed, with its range. Dashed: as many as the forecast said."
    source = source_line(study.forecast.basis)
    return Picture("calibration", title, (panel,), tuple(words), note, source, table)


def _rises(table: pd.DataFrame) -> bool:
    """Return whether the half of the groups with the higher chance failed more often than the other."""
    half = len(table) // 2
    shares = table["share_observed"]
    return bool(shares.iloc[half:].mean() > shares.iloc[:half].mean())

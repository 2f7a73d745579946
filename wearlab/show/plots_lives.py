"""Charts of lives: curves with their bands, and ranges side by side."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

from wearlab.show.figures import show_name, show_scale
from wearlab.show.plots import (
    DASHES,
    GRID,
    INK,
    MARKERS,
    MUTED,
    SERIES,
    SOFT,
    label_axes,
    number_axis,
    share_axis,
    short_number,
    shorten,
    write_at,
)


def draw_life_curves(curves: pd.DataFrame, *, ax: Axes, scale: str) -> Axes:
    """Draw the share of parts still good against age, one line per ``group``.

    Columns: ``group``, ``age``, ``survival``, ``low``, ``high`` (the band), ``observed`` (counted from the records,
    Kaplan-Meier) and ``at_risk`` (parts watched at that age); the last four may be missing.
    """
    names = list(dict.fromkeys(curves["group"]))[: len(SERIES)]
    for number, name in enumerate(names):
        rows = curves.loc[curves["group"] == name].sort_values("age", kind="stable")
        _draw_curve(rows, number, ax)
    share_axis(ax)
    ax.set_xlim(0, float(curves["age"].max()))
    ax.grid(axis="y")
    number_axis(ax, "x")
    label_axes(ax, x=f"{show_scale(scale)} since fitting", y="Parts still good")
    _label_curves(names, ax)
    if "at_risk" in curves:
        _write_at_risk(curves, names, ax)
    return ax


def _draw_curve(rows: pd.DataFrame, number: int, ax: Axes) -> None:
    if {"low", "high"} <= set(rows):
        band = rows.dropna(subset=["low", "high"])
        ax.fill_between(band["age"], band["low"], band["high"], color=SOFT[number], alpha=0.45, linewidth=0)
    if "observed" in rows and rows["observed"].notna().any():
        ax.step(rows["age"], rows["observed"], where="post", color=SERIES[number], linewidth=0.9, alpha=0.8)
    ax.plot(rows["age"], rows["survival"], color=SERIES[number], linestyle=DASHES[number])


def _label_curves(names: list[str], ax: Axes, *, markers: bool = False) -> None:
    handles = [
        ax.plot(
            [],
            [],
            color=SERIES[number],
            linestyle=DASHES[number],
            marker=MARKERS[number] if markers else None,
            markersize=4,
            label=shorten(show_name(name)),
        )[0]
        for number, name in enumerate(names)
    ]
    if names == ["all"]:
        return
    rows = -(-len(names) // 3)
    ax.legend(
        handles=handles,
        frameon=False,
        loc="lower left",
        bbox_to_anchor=(-0.02, 1.0),
        ncols=3,
        fontsize=10,
        handlelength=2.2,
        columnspacing=1.2,
        borderaxespad=0.1,
    )
    ax.set_title(ax.get_title(loc="left"), loc="left", fontsize=11, pad=8 + 17 * rows)


def _write_at_risk(curves: pd.DataFrame, names: list[str], ax: Axes) -> None:
    ticks = [tick for tick in ax.get_xticks() if 0 <= tick <= curves["age"].max()]
    ax.xaxis.labelpad = 8 + 13 * len(names)
    for number, name in enumerate(names):
        rows = curves.loc[curves["group"] == name].sort_values("age", kind="stable")
        below = -20 - 13 * number
        if number == 0:
            write_at(ax, "watched", (0, 0), coordinates="axes fraction", shift=(-14, below), across="right")
        for tick in ticks:
            known = rows.loc[(rows["age"] <= tick + 1e-9) & rows["at_risk"].notna(), "at_risk"]
            if len(known) and tick <= rows["age"].max() + 1e-9:
                write_at(
                    ax,
                    f"{known.iloc[-1]:,.0f}",
                    (tick, 0),
                    coordinates=ax.get_xaxis_transform(),
                    shift=(0, below),
                    across="center",
                    color=SERIES[number],
                )


LONGEST_LABEL = 32
PAPER_SHARES = (0.001, 0.01, 0.05, 0.2, 0.5, 0.9, 0.99)


def draw_paper(points: pd.DataFrame, *, ax: Axes, scale: str) -> Axes:
    """Draw failures on Weibull paper, on which a Weibull curve is a straight line, one colour and mark per ``group``.

    Columns: ``group``, ``age``, ``y`` = ln(−ln(1 − share failed)) of the point, ``line`` that of the fitted curve.
    """
    names = list(dict.fromkeys(points["group"]))[: len(SERIES)]
    for number, name in enumerate(names):
        rows = points.loc[points["group"] == name].sort_values("age", kind="stable")
        ax.plot(rows["age"], rows["y"], MARKERS[number], color=SERIES[number], markersize=3.4, alpha=0.85)
        ax.plot(rows["age"], rows["line"], color=SERIES[number], linestyle=DASHES[number], linewidth=1.4)
    ax.set_xscale("log")
    shown = points.loc[points["group"].isin(names)]
    low, high = float(shown["y"].min()) - 0.4, float(shown["y"].max()) + 0.4
    ticks = {float(np.log(-np.log1p(-share))): share for share in PAPER_SHARES}
    kept = [place for place in ticks if low <= place <= high]
    ax.set_yticks(kept, [f"{100 * ticks[place]:.3g} %" for place in kept])
    ax.set_ylim(low, high)
    ax.grid(axis="y")
    ax.xaxis.set_major_locator(LogLocator(subs=(1.0, 3.0), numticks=6))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: short_number(value)))
    label_axes(ax, x=f"{show_scale(scale)} since fitting, in equal ratios", y="Parts failed")
    _label_curves(names, ax, markers=True)
    return ax


def draw_ranges(ranges: pd.DataFrame, *, ax: Axes, x: str, y: str, even: float | None = None) -> Axes:
    """Draw one dot with its interval per row, top row first; ``even`` is a line that means no difference.

    Columns: ``label``, ``value``, ``low``, ``high`` (missing ends are open), optionally ``marked`` (drawn in the
    second colour with a square) and ``seen`` (what came of it, a square beside the dot).
    """
    rows = ranges.reset_index(drop=True)
    places = np.arange(len(rows))[::-1]
    numbers = rows[["value", "low", "high"]].to_numpy(float)
    seen = rows["seen"].to_numpy(float) if "seen" in rows else np.full(len(rows), np.nan)
    bottom, top = min(0.0, float(np.nanmin(numbers))), float(np.nanmax([np.nanmax(numbers), *seen]))
    marked = rows["marked"].astype(bool) if "marked" in rows else pd.Series(False, index=rows.index)
    if even is not None:
        ax.axvline(even, color=MUTED, linewidth=1, linestyle=(0, (2, 2)))
    for place, (value, low, high), mark in zip(places, numbers, marked, strict=True):
        number = 1 if mark else 0
        if np.isfinite(low) or np.isfinite(high):
            ends = [float(np.nan_to_num(low, nan=bottom)), float(np.nan_to_num(high, nan=top * 1.06))]
            ax.plot(ends, [place, place], color=SERIES[number], linewidth=2.4, solid_capstyle="round")
        if np.isfinite(value):
            ax.plot([value], [place], marker=MARKERS[number], color=SERIES[number], markersize=7)
    ax.plot(seen, places, marker=MARKERS[1], color=SERIES[1], markersize=7, linestyle="none")
    ax.set_yticks(places, [shorten(show_name(label), LONGEST_LABEL) for label in rows["label"]])
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.set_xlim(bottom * 1.08, top * 1.08 if top > 0 else 1)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x")
    ax.set_axisbelow(True)
    number_axis(ax, "x")
    label_axes(ax, x=x, y=y)
    return ax


def draw_bars(bars: pd.DataFrame, *, ax: Axes, x: str, y: str) -> Axes:
    """Draw one bar per row with the interval as a line on it. Columns: ``label``, ``value``, ``low``, ``high``."""
    rows = bars.reset_index(drop=True)
    places = np.arange(len(rows))[::-1]
    ax.barh(places, rows["value"], height=0.56, color=SOFT[0], edgecolor=SERIES[0], linewidth=0.8)
    for place, (low, high) in zip(places, rows[["low", "high"]].to_numpy(float), strict=True):
        if np.isfinite(low) and np.isfinite(high):
            ax.plot([low, high], [place, place], color=INK, linewidth=1.4, marker="|", markersize=7)
    ax.set_yticks(places, [shorten(show_name(label)) for label in rows["label"]])
    ax.set_xlim(0, None)
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x", color=GRID)
    ax.set_axisbelow(True)
    number_axis(ax, "x")
    label_axes(ax, x=x, y=y)
    return ax

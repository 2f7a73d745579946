"""Charts of regreasing: what it costs, what it does to failures, and how often it is really done."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from wearlab.show.figures import show_name, show_number
from wearlab.show.plots import (
    DASHES,
    GRID,
    MARKERS,
    MUTED,
    SERIES,
    SOFT,
    label_axes,
    number_axis,
    shorten,
    write_at,
)

BAND = ("practised_low", "practised_high", "failures")


@dataclass(frozen=True, slots=True)
class Marks:
    """The intervals to mark on a chart, in miles; NaN where there is none."""

    current: float
    recommended: float
    low: float
    high: float


def draw_cost(costs: pd.DataFrame, *, ax: Axes, marks: Marks, currency: str, scale: str) -> Axes:
    """Draw cost against regrease interval with the flat zone shaded.

    Columns: ``interval``, ``cost``, maybe ``low`` and ``high``, and ``in_practised_range``: dotted where it is false.
    """
    if np.isfinite(marks.low) and np.isfinite(marks.high):
        ax.axvspan(marks.low, marks.high, color=SOFT[2], alpha=0.55, linewidth=0)
    if {"low", "high"} <= set(costs):
        ax.fill_between(costs["interval"], costs["low"], costs["high"], color=SOFT[0], alpha=0.4, linewidth=0)
    ax.plot(costs["interval"], costs["cost"], color=SERIES[0], linestyle=(0, (1, 1.5)), linewidth=1.2)
    tried = costs[costs["in_practised_range"].astype(bool)] if "in_practised_range" in costs else costs
    ax.plot(tried["interval"], tried["cost"], color=SERIES[0])
    ceiling = float(np.nanmax(costs["high"] if "high" in costs else costs["cost"])) or 1.0
    ax.set_ylim(0, ceiling * 1.28)
    _mark(ax, costs, marks)
    ax.grid(axis="y")
    number_axis(ax, "x")
    number_axis(ax, "y")
    label_axes(ax, x=f"{scale} from one regrease stop to the next", y=f"Cost per 1,000 {scale}, {currency}")
    return ax


def _mark(ax: Axes, costs: pd.DataFrame, marks: Marks) -> None:
    same = marks.current == marks.recommended
    named = [(marks.recommended, "s", SERIES[2], "keep today's" if same else "recommended")]
    if not same:
        named.append((marks.current, "o", SERIES[1], "today"))
    for step, (miles, marker, colour, word) in enumerate(named):
        if not np.isfinite(miles):
            continue
        cost = float(np.interp(miles, costs["interval"], costs["cost"]))
        ax.plot([miles], [cost], marker=marker, color=colour, markersize=8, zorder=5)
        ax.axvline(miles, color=colour, linewidth=0.8, linestyle=(0, (2, 2)))
        left = miles > 0.6 * float(costs["interval"].max()) + 0.4 * float(costs["interval"].min())
        write_at(
            ax,
            f"{word} {show_number(miles)}",
            (miles, 0.97 - 0.09 * step),
            coordinates=("data", "axes fraction"),
            shift=(-5 if left else 5, 0),
            across="right" if left else "left",
        )


def draw_practice(bands: pd.DataFrame, line: pd.DataFrame, *, ax: Axes, scale: str) -> Axes:
    """Draw failures per million by band of practised interval, with the fitted line.

    ``bands``: ``practised_low``, ``practised_high``, ``failures``, ``rate``, ``rate_low``, ``rate_high``;
    ``line``: ``practised``, ``rate``, maybe ``low`` and ``high`` (empty where nothing is fitted).
    """
    if len(line):
        if {"low", "high"} <= set(line):
            ax.fill_between(line["practised"], line["low"], line["high"], color=SOFT[0], alpha=0.45, linewidth=0)
        ax.plot(line["practised"], line["rate"], color=SERIES[0], label="fitted")
    middle = np.sqrt(bands["practised_low"] * bands["practised_high"])
    reach = np.vstack([bands["rate"] - bands["rate_low"], bands["rate_high"] - bands["rate"]])
    ax.errorbar(middle, bands["rate"], yerr=np.clip(reach, 0, None), fmt="s", color=SERIES[1], markersize=6, capsize=0)
    ax.hlines(bands["rate"], bands["practised_low"], bands["practised_high"], color=SERIES[1], linewidth=0.8)
    for x, high, failures in zip(middle, bands["rate_high"], bands["failures"], strict=True):
        if np.isfinite(high):
            write_at(ax, f"{failures:,.0f}", (x, high), shift=(0, 3), across="center", upright="bottom")
    drawn = [bands["rate_high"], *(line[name] for name in ("rate", "high") if name in line and len(line))]
    ax.set_ylim(0, max(float(np.nanmax(values)) for values in drawn) * 1.14 or 1.0)
    ax.grid(axis="y")
    ax.set_axisbelow(True)
    number_axis(ax, "x")
    number_axis(ax, "y")
    label_axes(ax, x=f"practised {scale} per regrease stop", y=f"Failures per million {scale} (number = failures)")
    return ax


def draw_life_by_interval(lives: pd.DataFrame, bands: pd.DataFrame, *, ax: Axes) -> Axes:
    """Draw B10 life against the regrease interval, one line with its range per ``group``, over bands of evidence.

    ``lives``: ``group``, ``interval``, ``b10``, ``b10_low``, ``b10_high``; ``bands``, may be empty: ``practised_low``,
    ``practised_high`` and the ``failures`` seen under such practice.
    """
    least, most = float(lives["interval"].min()), float(lives["interval"].max())
    margin = 0.04 * (most - least) or 1.0
    for number, (low, high, failures) in enumerate(zip(*(bands[name] for name in BAND), strict=True)):
        start, end = max(low, least - margin), min(high, most + margin)
        if start < end:
            ax.axvspan(start, end, color=SOFT[4], alpha=0.15 + 0.3 * (number % 2), linewidth=0)
            write_at(ax, f"{failures:,.0f}", ((start + end) / 2, 0), shift=(0, 3), across="center", upright="bottom")
    ax.set_xlim(least - margin, most + margin)
    names = list(dict.fromkeys(lives["group"]))[: len(SERIES)]
    for number, name in enumerate(names):
        rows = lives.loc[lives["group"] == name].sort_values("interval", kind="stable")
        band = rows.dropna(subset=["b10_low", "b10_high"])
        ax.fill_between(
            band["interval"], band["b10_low"], band["b10_high"], color=SOFT[number], alpha=0.45, linewidth=0
        )
        style: dict[str, Any] = {"linestyle": DASHES[number], "marker": MARKERS[number], "markersize": 4}
        ax.plot(rows["interval"], rows["b10"], color=SERIES[number], label=shorten(show_name(name)), **style)
    ax.set_ylim(0, float(np.nanmax(lives[["b10", "b10_high"]].to_numpy(float))) * 1.3)
    ax.legend(frameon=False, fontsize=9.5, loc="upper right", ncols=3, columnspacing=1.2, handlelength=2.2)
    ax.grid(axis="y", color=GRID)
    ax.set_axisbelow(True)
    number_axis(ax, "x")
    number_axis(ax, "y")
    label_axes(ax, x="miles from one regrease stop to the next", y="B10 life, miles")
    return ax


def draw_gaps(gaps: pd.DataFrame, *, ax: Axes, planned: float, scale: str) -> Axes:
    """Draw how many regrease gaps were how long, the planned interval marked (NaN = no plan).

    ``gaps``: ``low``, ``high`` (the ends of each bin) and ``gaps`` (how many).
    """
    ax.bar(
        gaps["low"], gaps["gaps"], width=gaps["high"] - gaps["low"], align="edge", color=SOFT[0], edgecolor=SERIES[0]
    )
    ceiling = float(gaps["gaps"].max()) * 1.16 or 1.0
    ax.set_ylim(0, ceiling)
    if np.isfinite(planned):
        ax.axvline(planned, color=SERIES[1], linewidth=1.6, linestyle=(0, (5, 2)))
        write_at(
            ax, f"plan {show_number(planned)}", (planned, 0.98), coordinates=("data", "axes fraction"), shift=(5, 0)
        )
    ax.grid(axis="y", color=GRID)
    ax.set_axisbelow(True)
    ax.spines["left"].set_color(MUTED)
    number_axis(ax, "x")
    number_axis(ax, "y", whole=True)
    label_axes(ax, x=f"{scale} between two stops", y="Regrease gaps")
    return ax

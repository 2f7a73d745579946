"""Charts of the records themselves: measured wear on its way to the limit, and meters put right."""

import pandas as pd
from matplotlib.axes import Axes

from wearlab.show.plots import (
    DASHES,
    GRID,
    MARKERS,
    MUTED,
    SERIES,
    date_axis,
    label_axes,
    number_axis,
    shorten,
    write_at,
)


def draw_wear(paths: pd.DataFrame, *, ax: Axes, limit: float, unit: str) -> Axes:
    """Draw measured wear over age, one line per ``label``, the limit across. Columns: ``label``, ``age``, ``value``."""
    names = list(dict.fromkeys(paths["label"]))[: len(SERIES)]
    reach = float(paths["age"].max())
    for number, name in enumerate(names):
        rows = paths.loc[paths["label"] == name].sort_values("age", kind="stable")
        line = ax.plot(rows["age"], rows["value"], color=SERIES[number], markersize=4.5, linewidth=1.4)[0]
        line.set(linestyle=DASHES[number], marker=MARKERS[number], label=shorten(name))
    ax.axhline(limit, color=MUTED, linewidth=1.2, linestyle=(0, (4, 2)))
    write_at(ax, "limit", (reach, limit), shift=(0, 3), across="right", upright="bottom", color=MUTED)
    ax.set_xlim(0, reach * 1.04)
    ax.set_ylim(0, max(limit, float(paths["value"].max())) * 1.6)
    ax.legend(frameon=False, fontsize=9.5, loc="upper left", ncols=1, handlelength=2.4, labelspacing=0.25)
    ax.grid(axis="y", color=GRID)
    number_axis(ax, "x")
    number_axis(ax, "y")
    label_axes(ax, x="miles since fitting", y=f"Measured, {unit}")
    return ax


def draw_meter(points: pd.DataFrame, *, ax: Axes) -> Axes:
    """Draw one truck's meter as it was written down and as it is used.

    Columns: ``date``, ``raw_miles`` (as written), ``miles`` (as used), ``disregarded``.
    """
    rows = points.sort_values("date", kind="stable")
    days = pd.to_datetime(rows["date"])
    wrong = rows["disregarded"].astype(bool)
    ax.plot(days, rows["miles"], color=SERIES[0], linewidth=1.4, label="as used")
    ax.plot(days[~wrong], rows.loc[~wrong, "raw_miles"], ".", color=SERIES[0], markersize=3, label="as written")
    ax.plot(days[wrong], rows.loc[wrong, "raw_miles"], "x", color=SERIES[1], markersize=7, label="disregarded")
    ax.set_ylim(0, float(max(rows["miles"].max(), rows["raw_miles"].max())) * 1.3)
    ax.legend(frameon=False, fontsize=9.5, loc="upper left", ncols=3, columnspacing=1.0, handlelength=1.4)
    date_axis(ax)
    ax.grid(axis="y", color=GRID)
    number_axis(ax, "y")
    label_axes(ax, x="day", y="Meter, miles")
    return ax

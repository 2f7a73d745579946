"""Charts of failures: observed against expected, and when they came."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from wearlab.show.plots import (
    GRID,
    INK,
    MARKERS,
    MUTED,
    SERIES,
    SOFT,
    date_axis,
    label_axes,
    number_axis,
    shorten,
    write_at,
)

NAMED = 6
CROWDS = ((1, 1, 3.2), (2, 4, 4.6), (5, 12, 6.2), (13, 10**9, 8.0))  # from, to, size of the mark


def draw_observed(units: pd.DataFrame, *, ax: Axes) -> Axes:
    """Draw each truck's observed failures against its expected ones, flagged trucks as named squares.

    Columns: ``label``, ``observed``, ``expected``, ``flagged``. Rows at one point are drawn once, larger.
    """
    flagged = units["flagged"].astype(bool)
    _draw_crowd(units.loc[~flagged], ax)
    marked = units.loc[flagged]
    ax.plot(marked["expected"], marked["observed"], MARKERS[1], color=SERIES[1], markersize=7, linestyle="none")
    reach = max(1.0, float(units[["observed", "expected"]].to_numpy(float).max()))
    wide = max(0.5, float(units["expected"].max()))
    ax.plot([0, reach], [0, reach], color=MUTED, linewidth=1, linestyle=(0, (4, 2)))
    end = 0.98 * min(wide, reach)
    write_at(ax, "as expected", (end, end), shift=(-12, 4), across="right", upright="bottom", color=MUTED)
    worst = marked.sort_values(["observed", "expected"], ascending=[False, True], kind="stable").head(NAMED)
    for observed, rows in worst.groupby(worst["observed"].astype(float), sort=False):
        names = ", ".join(dict.fromkeys(shorten(label, 12) for label in rows["label"]))
        write_at(ax, names, (float(rows["expected"].max()), float(observed)), shift=(7, 0), upright="center")
    ax.set_xlim(0, wide * 1.35)
    ax.set_ylim(-0.3, reach * 1.1)
    ax.grid(color=GRID)
    ax.set_axisbelow(True)
    number_axis(ax, "x")
    number_axis(ax, "y", whole=True)
    label_axes(
        ax, x="failures expected from its own miles and class", y="Failures observed, one mark per truck and part"
    )
    return ax


def _draw_crowd(units: pd.DataFrame, ax: Axes) -> None:
    """Draw the trucks that are not flagged: those that would lie on one another as one mark, the larger the more."""
    if units.empty:
        return
    step = max(float(units["expected"].max()), 0.5) / 80
    crowd = units.assign(expected=(units["expected"] / step).round() * step).groupby(["expected", "observed"]).size()
    for least, most, size in CROWDS:
        some = crowd.loc[(crowd >= least) & (crowd <= most)].index
        places = (some.get_level_values(0).to_numpy(float), some.get_level_values(1).to_numpy(float))
        style = {"markerfacecolor": SOFT[0], "markeredgecolor": SERIES[0], "markeredgewidth": 0.7}
        ax.plot(*places, MARKERS[0], linestyle="none", markersize=size).pop().set(**style)


def draw_timeline(months: pd.DataFrame, *, ax: Axes, y: str, x: str = "month", days: int = 24) -> Axes:
    """Draw failures month by month as bars ``days`` wide, with what was expected as a stepped line.

    Columns: ``month`` (its first day), ``observed``, and maybe ``expected`` and ``suspect`` (of the observed, those
    that share the suspect property, drawn hatched).
    """
    places, bars = pd.to_datetime(months["month"]), "all" if "suspect" in months else "happened"
    ax.bar(places, months["observed"], width=days, color=SOFT[0], edgecolor=SERIES[0], linewidth=0.8, label=bars)
    if "suspect" in months:
        style: dict[str, Any] = {"color": SOFT[1], "edgecolor": SERIES[1], "hatch": "////", "linewidth": 0.8}
        ax.bar(places, months["suspect"], width=days, label="with the suspect property", **style)
    if "expected" in months:
        ax.step(places, months["expected"], where="mid", color=INK, linewidth=1.4, label="expected")
    ax.legend(frameon=False, fontsize=9.5, loc="upper left", ncols=3, columnspacing=1.2, handlelength=1.5)
    ceiling = max(1.0, float(np.nanmax(months.select_dtypes("number").to_numpy(float))))
    ax.set_ylim(0, ceiling * 1.3)
    date_axis(ax)
    ax.grid(axis="y", color=GRID)
    ax.set_axisbelow(True)
    number_axis(ax, "y", ticks=4, whole=True)
    label_axes(ax, x=x, y=y)
    return ax


def draw_fan(months: pd.DataFrame, *, ax: Axes) -> Axes:
    """Draw failures summed over the months ahead with their range.

    Columns: ``months``, ``expected``, ``low``, ``high``.
    """
    ax.fill_between(months["months"], months["low"], months["high"], color=SOFT[0], alpha=0.5, linewidth=0)
    ax.plot(months["months"], months["expected"], color=SERIES[0], marker=MARKERS[0], markersize=4)
    ax.set_xlim(0, float(months["months"].max()) * 1.02)
    ax.set_ylim(0, float(months["high"].max()) * 1.08 or 1.0)
    ax.grid(axis="y", color=GRID)
    ax.set_axisbelow(True)
    number_axis(ax, "x", whole=True)
    number_axis(ax, "y")
    label_axes(ax, x="months ahead", y="Failures so far")
    return ax


def draw_calibration(groups: pd.DataFrame, *, ax: Axes) -> Axes:
    """Draw the share of each group of parts that failed against the share that should have.

    Columns: ``share_expected``, ``share_observed``, ``share_low``, ``share_high``, all from 0 to 1.
    """
    shares = 100 * groups[["share_expected", "share_observed", "share_low", "share_high"]].to_numpy(float)
    reach = float(np.nanmax(shares)) * 1.08 or 1.0
    ax.plot([0, reach], [0, reach], color=MUTED, linewidth=1, linestyle=(0, (4, 2)))
    for expected, observed, low, high in shares:
        ax.plot([expected, expected], [low, high], color=SERIES[0], linewidth=2.0)
        ax.plot([expected], [observed], marker=MARKERS[0], color=SERIES[0], markersize=6)
    write_at(
        ax, "as forecast", (0.9 * reach, 0.9 * reach), shift=(-12, 4), across="right", upright="bottom", color=MUTED
    )
    ax.set_xlim(0, reach)
    ax.set_ylim(0, reach * 1.05)
    ax.grid(color=GRID)
    ax.set_axisbelow(True)
    number_axis(ax, "x")
    number_axis(ax, "y")
    label_axes(ax, x="parts expected to fail, %", y="Parts that failed, %")
    return ax

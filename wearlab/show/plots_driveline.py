"""Charts of the driveline: one turn of a line of joints, who uses the joint's life, and how near a tube may whirl."""

import numpy as np
import numpy.typing as npt
import pandas as pd
from matplotlib.axes import Axes

from wearlab.show.figures import show_name
from wearlab.show.plots import DASHES, GRID, INK, MUTED, SERIES, SOFT, label_axes, number_axis, write_at


def draw_turn(turn: pd.DataFrame, *, ax: Axes, quantity: str = "ratio", limit: float | None = None) -> Axes:
    """Draw speed ratio or acceleration (rad/s²) behind each joint over one turn of the first shaft (loaded state).

    ``turn`` as a DrivelineCheck holds it; ``limit`` draws lines at plus and minus a limit.
    """
    rows = turn[turn["state"] == "loaded"]
    for number, (joint, line) in enumerate(rows.groupby("behind_joint", sort=True)):
        color, dash = SERIES[number % len(SERIES)], DASHES[number % len(DASHES)]
        ax.plot(line["turn_deg"], line[quantity], color=color, linestyle=dash, label=f"behind joint {joint}")
    for side in (-1, 1) if limit is not None else ():
        ax.axhline(side * (limit or 0.0), color=MUTED, linewidth=1, linestyle=(0, (2, 2)))
    ax.set_xticks(range(0, 361, 90))
    ax.grid(visible=True, axis="y", color=GRID)
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.3 * (high - low))
    ax.legend(frameon=False, fontsize=9.5, loc="upper right", ncols=2)
    unit = "Speed against the first shaft" if quantity == "ratio" else "Acceleration, rad/s²"
    label_axes(ax, x="turn of the first shaft, degrees", y=unit)
    return ax


def draw_damage(bins: pd.DataFrame, *, ax: Axes) -> Axes:
    """Draw per group how the turns and how the use of joint life divide over its torque bins, lowest torque first.

    ``bins`` as a Severity holds it: group, share_of_turns, torque_nm, share_of_damage.
    """
    groups = list(dict.fromkeys(bins["group"]))
    labels = []
    for place, group in enumerate(groups):
        rows = bins[bins["group"] == group].sort_values("torque_nm")
        for offset, column, what in ((0.2, "share_of_turns", "turns"), (-0.2, "share_of_damage", "life used")):
            _stack(ax, len(groups) - 1 - place + offset, rows[column].to_numpy(dtype=float))
            labels.append((len(groups) - 1 - place + offset, f"{show_name(group)}, {what}"))
    ax.set_yticks([place for place, _ in labels], [text for _, text in labels])
    ax.set_xlim(0, 1)
    ax.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0", "25", "50", "75", "100 %"])
    ax.tick_params(axis="y", length=0)
    label_axes(ax, x="share; the highest torque at the right", y="Turns, and joint life used")
    return ax


def _stack(ax: Axes, place: float, shares: np.ndarray) -> None:
    """Draw one bar cut into bins; the highest torque is the dark one."""
    begins = np.concatenate([[0.0], np.cumsum(shares)[:-1]])
    last = len(shares) - 1
    for number, (begin, share) in enumerate(zip(begins, shares, strict=True)):
        color = SERIES[1] if number == last else SOFT[min(number, len(SOFT) - 1)]
        ax.barh(place, share, left=begin, height=0.34, color=color, edgecolor=INK, linewidth=0.5)


def draw_margin(
    lengths_mm: npt.ArrayLike, critical_rpm: npt.ArrayLike, *, ax: Axes, at: tuple[float, float], share: float
) -> Axes:
    """Draw critical speed and the part of it that may be used against tube length, and the shaft where it runs.

    ``at`` is its length (mm) and highest speed (rpm); ``share`` the part of the critical speed that may be used.
    """
    lengths, critical = np.asarray(lengths_mm, dtype=float), np.asarray(critical_rpm, dtype=float)
    ax.fill_between(lengths, 0, critical * share, color=SOFT[2], linewidth=0)
    ax.plot(lengths, critical, color=SERIES[1])
    ax.plot(lengths, critical * share, color=SERIES[2], linestyle=DASHES[1])
    ax.plot(*at, marker="o", color=INK, markersize=6, linestyle="none")
    write_at(ax, "this shaft", at, shift=(-6, -3), across="right")
    end = len(lengths) - 1
    write_at(ax, "critical", (lengths[end], critical[end]), shift=(0, 8), across="right", upright="bottom")
    write_at(ax, f"{100 * share:.0f} % of it", (lengths[end], critical[end] * share), shift=(0, -6), across="right")
    ax.set_ylim(0, None)
    ax.grid(visible=True, axis="y", color=GRID)
    number_axis(ax, "x")
    number_axis(ax, "y")
    label_axes(ax, x="length between joint centers, mm", y="Shaft speed, turns a minute")
    return ax

"""The sheet that charts are drawn on: its size, its letters and colours, and how it becomes SVG.

A chart function takes its numbers and an ``ax``, draws, and returns the ``ax``. Nothing here keeps state, and the same
drawing gives the same bytes.
"""

import io
import re
from collections.abc import Callable
from typing import Any, Literal

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from wearlab.show.document import show_text

PANEL_WIDTH, PANEL_HEIGHT, MARGIN = 372, 268, 4

# Each colour stands for a role, and the page gives every role a value of its own for light and for dark.
INK, MUTED, GRID, PAPER = "#1d2430", "#586273", "#dde1e6", "#fdfdfb"
SERIES = ("#1b5583", "#b5510b", "#23806f", "#7a4d9f", "#7d6608")
SOFT = ("#b9d0e2", "#eec6a4", "#b2d9d1", "#d8c6e6", "#e2d9a8")
ROLES = {
    INK: "--ink",
    MUTED: "--muted",
    GRID: "--grid",
    PAPER: "--paper",
    **{colour: f"--series-{number}" for number, colour in enumerate(SERIES, start=1)},
    **{colour: f"--soft-{number}" for number, colour in enumerate(SOFT, start=1)},
}
DASHES = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (7, 2, 1.5, 2)), (0, (3, 1)))
MARKERS = ("o", "s", "^", "D", "v")

STYLE = {
    "svg.fonttype": "none",
    "text.parse_math": False,
    "font.family": ["DejaVu Sans"],
    "font.size": 11,
    "axes.labelsize": 11,
    "xtick.labelsize": 10.5,
    "ytick.labelsize": 10.5,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "text.color": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "grid.color": GRID,
    "grid.linewidth": 0.8,
    "lines.linewidth": 1.8,
    "path.simplify": False,
}


def draw_svg(
    draw: Callable[[Axes], object], *, name: str, alt: str, width: int = PANEL_WIDTH, height: int = PANEL_HEIGHT
) -> str:
    """Return one chart as an ``<svg>`` element for a page: colours as CSS roles, ``alt`` as its text alternative."""
    style: dict[Any, Any] = {**mpl.rcParamsDefault, **STYLE, "svg.hashsalt": name}
    with mpl.rc_context(style):
        figure = Figure(figsize=(width / 72, height / 72))
        figure.patch.set_alpha(0)
        axes = figure.add_subplot()
        axes.patch.set_alpha(0)
        draw(axes)
        _fill(figure, axes)
        file = io.StringIO()
        metadata = dict.fromkeys(("Creator", "Date", "Format", "Type"))
        FigureCanvasSVG(figure).print_svg(file, metadata=metadata)  # type: ignore[no-untyped-call]
    return _for_page(file.getvalue(), alt=alt)


def _fill(figure: Figure, axes: Axes) -> None:
    """Let a chart with its labels and notes take the whole sheet, but for a thin margin."""
    taken = axes.get_tightbbox(FigureCanvasAgg(figure).get_renderer())  # type: ignore[no-untyped-call]
    if taken is None:
        return
    sheet, inner, margin = figure.bbox, axes.get_window_extent(), MARGIN * figure.dpi / 72
    left, low = inner.x0 - taken.x0 + margin, inner.y0 - taken.y0 + margin
    wide = max(sheet.width - left - (taken.x1 - inner.x1) - margin, 0.2 * sheet.width)
    high = max(sheet.height - low - (taken.y1 - inner.y1) - margin, 0.2 * sheet.height)
    axes.set_position((left / sheet.width, low / sheet.height, wide / sheet.width, high / sheet.height))


def _for_page(svg: str, *, alt: str) -> str:
    body = svg[svg.index("<svg") :]
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    body = re.sub(r"<style.*?</style>", "", body, flags=re.DOTALL)
    body = re.sub(r'(<g) id="[^"]*"', r"\1", body)
    body = re.sub(r"font: ([\d.]+px)[^;\"]*", r"font-size: \1", body)
    body = re.sub(r"font-family: [^;\"]*;? ?", "", body)
    for colour, role in ROLES.items():
        body = body.replace(colour, f"var({role})")
    view = re.search(r'viewBox="([^"]*)"', body)
    opening = f'<svg class="chart" viewBox="{view[1] if view else ""}" role="img" aria-label="{_attribute(alt)}">'
    body = re.sub(r"<svg[^>]*>", lambda _: opening, body, count=1)
    return re.sub(r"\n\s*", "\n", body).replace('xlink:href="#', 'href="#').strip()


def as_file(svg: str) -> str:
    """Return a chart as a file of its own, in the light colours of the page."""
    for colour, role in ROLES.items():
        svg = svg.replace(f"var({role})", colour)
    opening = f'<svg xmlns="http://www.w3.org/2000/svg" font-family="sans-serif" style="background: {PAPER}" '
    return svg.replace("<svg ", opening, 1) + "\n"


def draw_chart(draw: Callable[[Axes], object], *, alt: str, name: str = "chart") -> str:
    """Return one chart as an SVG file; ``draw`` draws on the axes it is given, ``alt`` says the same in words."""
    return as_file(draw_svg(draw, name=name, alt=alt))


def _attribute(text: str) -> str:
    safe = show_text(text).replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    return safe.replace('"', "&quot;")


def label_axes(ax: Axes, *, x: str, y: str) -> None:
    """Name both axes with their units; the upright one on top of it, where it can be read without turning the head."""
    ax.set_xlabel(show_text(x))
    ax.set_title(show_text(y), loc="left", fontsize=11, color=INK, pad=8)


def write_at(
    ax: Axes,
    text: str,
    at: tuple[float, float],
    *,
    coordinates: Any = "data",
    shift: tuple[float, float] = (0, 0),
    across: Literal["left", "center", "right"] = "left",
    upright: Literal["top", "center", "bottom"] = "top",
    color: str = INK,
) -> None:
    """Write a note at a place on the chart, moved by ``shift`` points."""
    ax.annotate(
        text,
        at,
        xycoords=coordinates,
        xytext=shift,
        textcoords="offset points",
        ha=across,
        va=upright,
        size=9.5,
        color=color,
    )


def number_axis(ax: Axes, which: str, *, ticks: int = 5, whole: bool = False) -> None:
    """Write the ticks of one axis as plain numbers with thousands separated (``k`` above ten thousand)."""
    axis = ax.xaxis if which == "x" else ax.yaxis
    axis.set_major_locator(MaxNLocator(nbins=ticks, integer=whole))
    axis.set_major_formatter(FuncFormatter(lambda value, _: short_number(value, like=max(axis.get_view_interval()))))


def date_axis(ax: Axes) -> None:
    """Mark the x axis with a few dates, whatever stretch of time it spans."""
    locator = AutoDateLocator(minticks=2, maxticks=6)  # type: ignore[no-untyped-call]
    ax.xaxis.set_major_locator(locator)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]


def share_axis(ax: Axes) -> None:
    """Write the upright axis as a share from 0 to 100 %."""
    ax.set_ylim(0, 1.02)
    ax.set_yticks([0, 0.25, 0.5, 0.75, 1], ["0", "25", "50", "75", "100 %"])


def short_number(value: float, *, like: float | None = None) -> str:
    """Return a number as an axis prints it: ``120k`` for 120,000, ``1.5M`` for a million and a half.

    ``like`` is the greatest number of the axis: all of them are written in its unit.
    """
    size = max(abs(value), abs(like or 0.0))
    if size >= 1e6 and abs(value) >= 1e5:
        return f"{value / 1e6:,.6g}M".replace("-", "−")
    if size >= 1e4 and abs(value) >= 1e2:
        return f"{value / 1e3:,.6g}k".replace("-", "−")
    return f"{value:,.10g}".replace("-", "−")


def shorten(text: object, length: int = 26) -> str:
    """Return a label cut to what an axis can hold."""
    shown = show_text(text)
    return shown if len(shown) <= length else shown[: length - 1] + "…"

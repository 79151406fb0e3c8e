"""One look for all figures, and SVG that comes out the same byte for byte.

Series are told apart by marker, line and hatch as well as by colour; the colours are dark enough on white (contrast
4.5 or more) and differ in lightness, so that a grey print can be read.

The look stands in ``ventbook.mplstyle``. Each report keeps its own drawing functions in its room: they take an Axes and
return it, and compute nothing.
"""

from __future__ import annotations

import io
import itertools
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


STYLE = Path(__file__).resolve().parents[1] / "ventbook.mplstyle"
# dark blue, rust, green, purple, grey, ochre: contrast on white 9.5, 5.2, 5.0, 6.6, 7.5, 4.6 or more
COLORS = ("#1b4965", "#b3541e", "#3a7d44", "#7a4988", "#555555", "#8a6700")
MARKERS = ("o", "s", "^", "D", "v", "P")
LINES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)))
HATCHES = ("", "///", "...", "xxx", "\\\\\\", "++")
LIMIT_COLOR = "#8b0000"
CLOUD = 2_000
"""Points over which a picture's marks are drawn as an image."""
SMALL = 9.0
"""Points of the smallest text in a figure: 12 pixels where a page shows it as it was drawn, 7 points and more on paper."""


def new_figure(
    *, rows: int = 1, columns: int = 1, width: float = 7.2, height: float | None = None, **subplots: Any
) -> tuple[Figure, Any]:
    """A figure in the report's look and its axes (one Axes, or an array of them), not registered with pyplot.

    The look is put in force for the whole process, because titles, legends and labels take theirs when they are
    drawn, after this call.

    ``width`` and ``height`` are inches on the page (full width 7.2); the default height is 3.8 for one row and 2.9
    a row beyond. Further keywords go to ``Figure.subplots`` (``sharex``, ``width_ratios`` ...).
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    mpl.rc_file(STYLE, use_default_template=False)
    figure = Figure(figsize=(width, height or (3.8 if rows == 1 else 2.9 * rows)))
    return figure, figure.subplots(rows, columns, **subplots)


def series_style(index: int) -> dict[str, Any]:
    """Colour, marker and line of series number ``index``: three cues, so that colour is never the only one."""
    return {
        "color": COLORS[index % len(COLORS)],
        "marker": MARKERS[index % len(MARKERS)],
        "linestyle": LINES[index % len(LINES)],
    }


def mark_limit(
    ax: Axes, value: float, label: str, *, axis: str = "y", placeholder: bool = False, top: bool = True
) -> Axes:
    """A limit as a labelled line across the axes: dashed, dotted where the limit is a placeholder.

    An upright line has its label at the ``top`` or at the foot.
    """
    if axis not in ("x", "y"):
        raise ValueError(f"axis must be x or y; got {axis!r}")
    line: dict[str, Any] = {"color": LIMIT_COLOR, "linestyle": ":" if placeholder else "--", "linewidth": 1.3}
    text = f"{label} (placeholder)" if placeholder else label
    if axis == "y":
        ax.axhline(value, **line)
        ax.annotate(
            text,
            (0.995, value),
            xycoords=("axes fraction", "data"),
            xytext=(0, 3),
            textcoords="offset points",
            ha="right",
            va="bottom",
            fontsize=SMALL,
            color=LIMIT_COLOR,
        )
    else:
        ax.axvline(value, **line)
        ax.annotate(
            text,
            (value, 0.98 if top else 0.02),
            xycoords=("data", "axes fraction"),
            xytext=(4, 0),
            textcoords="offset points",
            ha="left",
            va="top" if top else "bottom",
            fontsize=SMALL,
            color=LIMIT_COLOR,
        )
    return ax


def end_at_whole(ax: Axes, *, axis: str = "y") -> Axes:
    """An axis of per cent without ticks or line past 100, whatever room is left there; to be called last."""
    low, high = ax.get_ylim() if axis == "y" else ax.get_xlim()
    held = ax.yaxis if axis == "y" else ax.xaxis
    held.set_ticks([tick for tick in held.get_ticklocs() if low <= tick <= min(high, 100.0)])
    ax.spines["left" if axis == "y" else "bottom"].set_bounds(low, min(high, 100.0))
    (ax.set_ylim if axis == "y" else ax.set_xlim)(low, high)
    return ax


def plain_log(ax: Axes, low: float, high: float) -> Axes:
    """A logarithmic upright axis from ``low`` to ``high`` with every second power of ten written out, none as small print."""
    powers = range(int(np.ceil(np.log10(low))), int(np.floor(np.log10(high))) + 1)
    shown = [10.0**k for k in powers if k % 2 == 0 or len(powers) < 5]
    ax.set_yscale("log")
    ax.set_ylim(low, high)
    ax.set_yticks(
        shown, [f"{value:,.0f}".replace(",", " ") if value >= 1 else f"{value:g}" for value in shown]
    )
    ax.minorticks_off()
    return ax


def mark_break(ax: Axes, at: Any, label: str) -> Axes:
    """A break mark (new form, other gauge) as a thin upright line with its label along it."""
    ax.axvline(at, color="#555555", linewidth=0.9, linestyle=(0, (2, 2)))
    ax.annotate(
        label,
        (at, 0.02),
        xycoords=("data", "axes fraction"),
        xytext=(3, 0),
        textcoords="offset points",
        rotation=90,
        ha="left",
        va="bottom",
        fontsize=SMALL,
        color="#444444",
    )
    return ax


def thin_curve(x: Any, y: Any, *, points: int = 2000) -> tuple[np.ndarray, np.ndarray]:
    """A long curve cut to about ``points`` points that keeps each stretch's lowest and highest value.

    A curve of a hundred thousand points makes an SVG of tens of megabytes and looks the same.
    """
    x, y = np.asarray(x), np.asarray(y, dtype=float)
    if x.shape != y.shape or x.ndim != 1:
        raise ValueError(f"x and y must be one-dimensional and of equal length; got {x.shape} and {y.shape}")
    if points < 4:
        raise ValueError(f"points must be 4 or more; got {points}")
    if len(x) <= points:
        return x, y
    edges = np.linspace(0, len(x), points // 2 + 1).astype(int)
    filled = np.where(np.isnan(y), -np.inf, y)
    keep = {0, len(x) - 1}
    for first, last in itertools.pairwise(edges):
        keep.add(first + int(np.argmax(filled[first:last])))
        keep.add(first + int(np.argmin(np.where(np.isnan(y[first:last]), np.inf, y[first:last]))))
    order = np.array(sorted(keep))
    return x[order], y[order]


def svg_bytes(figure: Figure) -> bytes:
    """The figure as SVG, text drawn as paths (no font needed), without date, the same bytes every time.

    Lines and bands of over CLOUD points become an image within it: drawn one by one they would make megabytes.
    """
    import matplotlib as mpl

    for ax in figure.axes:
        crowded = sum(np.size(line.get_xdata()) for line in ax.lines) > CLOUD
        for line in ax.lines:
            line.set_rasterized(crowded and np.size(line.get_xdata()) > CLOUD / 20)
        for band in ax.collections:
            band.set_rasterized(sum(np.size(path.vertices) for path in band.get_paths()) > 2 * CLOUD)
    target = io.BytesIO()
    with mpl.rc_context(fname=STYLE):
        figure.savefig(target, format="svg", metadata={"Date": None, "Creator": None})
    text = target.getvalue().decode("utf-8")
    # The type declaration names an outside address, and white space before line ends only costs bytes.
    text = re.sub(r"<!DOCTYPE.*?>\s*", "", text, flags=re.DOTALL)
    return re.sub(r"[ \t]+\n", "\n", text).encode("utf-8")

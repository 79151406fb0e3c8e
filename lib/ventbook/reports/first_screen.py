"""The one picture beside an answer: drawn as wide as a phone shows it, so that it can be read there, on paper and at a desk.

Rows carry their words above their bar and not beside it, for a narrow picture has no room beside it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ventbook.document import plotting
from ventbook.document.plotting import COLORS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH = 3.7
"""Inches: a phone's window of 390 pixels less its margins, at which 9 points are 12 pixels."""
ROW, HEAD, FOOT = 0.46, 0.34, 0.46
LONGEST = 46


@dataclass(frozen=True)
class Row:
    """One row: its words, a value with its range where there is one, what stands at its end, and how its bar looks."""

    label: str
    value: float
    low: float | None = None
    high: float | None = None
    told: str = ""
    style: Mapping[str, Any] = field(default_factory=dict)


def new_lead(title: str, *, height: float = 2.7) -> tuple[Figure, Axes]:
    """A figure for the first screen and its axes, with a title at the figure's edge."""
    figure, ax = plotting.new_figure(width=WIDTH, height=height)
    figure.subplots_adjust(left=0.17, right=0.96, top=1 - HEAD / height, bottom=FOOT / height)
    figure.text(0.02, 1 - 0.05 / height, title, ha="left", va="top", fontsize=10, fontweight="bold")
    return figure, ax


def draw_rows(
    title: str, rows: Sequence[Row], *, xlabel: str, share: bool = False, mark: float | None = None, points: bool = False
) -> Figure:  # fmt: skip
    """Rows as bars from nought, or as points, with their ranges as lines; the first row on top.

    The axis of a ``share`` (per cent) ends at 100; ``mark`` draws an upright line.
    """
    figure, ax = new_lead(title, height=HEAD + FOOT + ROW * max(len(rows), 1) + 0.1)
    figure.subplots_adjust(left=0.03, right=0.97)
    ends = [max(row.value, row.high if row.high is not None else row.value) for row in rows]
    most = max([*ends, mark or 0.0, 1e-9])
    least = min([0.0, *(row.low for row in rows if row.low is not None)])
    right = most + 0.30 * (most - least)
    for place, row in enumerate(rows):
        y = len(rows) - 1 - place
        label = row.label if len(row.label) <= LONGEST else row.label[: LONGEST - 2] + "…"
        ax.annotate(
            label, (0, y + 0.30), xycoords=("axes fraction", "data"), xytext=(2, 0), textcoords="offset points", ha="left", va="bottom",
            fontsize=9, bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8},
        )  # fmt: skip
        look = {"facecolor": COLORS[0], **row.style}
        if not points:
            ax.barh(y + 0.08, row.value, height=0.36, **look)
        if row.low is not None and row.high is not None:
            ax.plot([row.low, row.high], [y + 0.08] * 2, color="black", linewidth=1.4)
        if points:
            ax.plot([row.value], [y + 0.08], "o", color=look["facecolor"])
        ax.annotate(
            row.told, (ends[place], y + 0.08), xytext=(5, 0), textcoords="offset points", va="center", fontsize=9
        )  # fmt: skip
    if mark is not None:
        ax.axvline(mark, color=plotting.LIMIT_COLOR, linestyle="--", linewidth=1.2)
    ax.set_yticks([])
    ax.spines["left"].set_visible(least < 0)
    ax.grid(axis="y", visible=False)
    ax.set_xlim(least, right)
    if share:
        plotting.end_at_whole(ax, axis="x")
    ax.set_ylim(-0.35, len(rows) - 0.25)
    ax.set_xlabel(xlabel, fontsize=9)
    return figure

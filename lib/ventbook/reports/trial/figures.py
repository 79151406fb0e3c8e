"""Pictures of trials: the evidence as it grew, and the chance of "works" by ventings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ventbook.document.plotting import mark_limit, plain_log, series_style
from ventbook.statistics.trials import Evidence, Needed

if TYPE_CHECKING:
    from matplotlib.axes import Axes


SHOWN = (0.05, 500.0)
"""Evidence is drawn from here to there; what lies beyond stands at the edge."""


def draw_evidence(
    ax: Axes,
    steps: np.ndarray,
    paths: Sequence[tuple[str, np.ndarray]],
    *,
    limits: Sequence[tuple[float, str]],
) -> Axes:
    """Evidence after each block or pair on a logarithmic scale, with the limits it is held against."""
    x = np.concatenate([[0], steps])
    for number, (label, values) in enumerate(paths):
        style = series_style(number)
        y = np.clip(np.concatenate([[1.0], values]), *SHOWN)
        ax.plot(x, y, drawstyle="steps-post", label=label, markevery=[len(x) - 1], markersize=5, **style)
    plain_log(ax, 0.8 * SHOWN[0], 1.5 * SHOWN[1])
    for value, label in limits:
        mark_limit(ax, value, label)
    ax.set_xlabel("ventings counted")
    ax.set_ylabel("evidence")
    ax.legend(loc="lower left")
    return ax


def draw_power(
    ax: Axes, needed: Sequence[tuple[str, Needed]], *, engines: int, power: float, most: int
) -> Axes:
    """The chance of "works" by ventings, looking after every block, with the engines of a year as an upright line."""
    x = np.arange(0, most + 1, 4)
    for number, (label, row) in enumerate(needed):
        style = series_style(number) | {"marker": ""}
        ax.plot(x, [100 * row.power_at(float(n)) for n in x], label=label, **style)
    mark_limit(ax, 100 * power, f"{100 * power:.0f} %")
    if 0 < engines <= most:
        mark_limit(ax, engines, "engines a year", axis="x")
    ax.set_ylim(0, 100)
    ax.set_xlim(0, most)
    ax.set_xlabel("ventings, both ways of working together")
    ax.set_ylabel('chance of "works", %')
    ax.legend(loc="lower right")
    return ax


def evidence_paths(
    first: Evidence, against: Evidence
) -> tuple[list[tuple[str, np.ndarray]], list[tuple[str, np.ndarray]]]:
    """What the two pictures show: that it works (both lines), and that it harms or can't work as planned."""
    works = [("it works", first.works), ("missing counted against it", against.works)]
    return works, [("it harms", first.harm), ("not as planned", first.no_use)]

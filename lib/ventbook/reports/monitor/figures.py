"""Figures of the monitor: each stream's evidence over its ventings, with its limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ventbook.document.plotting import COLORS, LIMIT_COLOR, LINES, mark_limit, plain_log, thin_curve

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FLOOR, CEILING = 1e-3, 1e7
GREY = "#999999"
NAMED = 5


@dataclass(frozen=True)
class Line:
    """One stream's evidence after each of its ventings; a label where it is to be told from the others."""

    label: str
    evidence: npt.NDArray[np.float64]


def draw_evidence(ax: Axes, lines: Sequence[Line], *, note: float, alarm: float | None, title: str) -> Axes:
    """Evidence on a log axis, one line a stream: with a label in colour, the others grey; limits dashed."""
    shown = 0
    top = 10 * note
    for line in sorted(lines, key=lambda one: bool(one.label)):
        x, y = thin_curve(np.arange(1, len(line.evidence) + 1), np.clip(line.evidence, FLOOR, CEILING))
        top = max(top, 3 * float(y.max()))
        if line.label and shown < NAMED:
            ax.plot(x, y, color=COLORS[shown], linestyle=LINES[shown], linewidth=1.5, label=line.label)
            shown += 1
        else:
            ax.plot(x, y, color=GREY, linewidth=0.7)
    mark_limit(ax, note, "note")
    if alarm is not None and np.isfinite(alarm):
        mark_limit(ax, alarm, "alarm")
        top = max(top, 4 * alarm)
    ax.axhline(1, color=LIMIT_COLOR, linewidth=0.5)
    plain_log(ax, FLOOR, min(top, 10 * CEILING))
    ax.set_xlim(left=0)
    ax.set_title(title, loc="left")
    ax.set_xlabel("ventings of the stream")
    ax.set_ylabel("evidence")
    if shown:
        ax.legend(loc="lower right")
    return ax

"""Figures of the planned-venting report."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .style import COLORS, MARKERS

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_reliability(ax: Axes, bins: pd.DataFrame) -> Axes:
    """Share that came against chance said, with the line of agreement and binomial bars of two standard errors.

    bins : columns said, came (0..1) and n, none empty.
    """
    said, came, n = (bins[name].to_numpy(float) for name in ("said", "came", "n"))
    bar = 200 * np.sqrt(said * (1 - said) / n)
    end = max(10.0, 108 * float(max(said.max(), came.max())))
    ax.plot([0, end], [0, end], color="#555555", linestyle="--", linewidth=1, label="as said")
    ax.errorbar(
        100 * said, 100 * came, yerr=bar, fmt=MARKERS[0], color=COLORS[0], capsize=3, label="ventings in bins"
    )
    for x, y, count in zip(100 * said, 100 * came, n, strict=True):
        ax.annotate(
            f"{count:.0f}", (x, y), xytext=(6, -10), textcoords="offset points", fontsize=8, color="#444444"
        )
    ax.set(
        xlim=(0, end),
        ylim=(0, None),
        xlabel="chance of a spongy lifter said beforehand [%]",
        ylabel="came true [%]",
    )
    ax.legend(fontsize=8, frameon=False, loc="upper left")
    return ax

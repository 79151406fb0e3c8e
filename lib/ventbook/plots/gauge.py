"""Figures of the gauge-study report."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .style import COLORS, MARKERS

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_by_lifter(ax: Axes, table: pd.DataFrame, *, band: float, unit: str, title: str) -> Axes:
    """Each reading less its lifter's mean, lifters from the smallest to the largest gap; band: twice the uncertainty.

    ``table``: lifter, mean, difference (display unit). Who read is not drawn.
    """
    order = table.groupby("lifter")["mean"].first().sort_values().index.tolist()
    place = table["lifter"].map({name: i for i, name in enumerate(order)}).to_numpy(float)
    rank = table.groupby("lifter").cumcount().to_numpy(float)
    most = max(rank.max(initial=0.0), 1.0)
    ax.axhspan(-band, band, color=COLORS[4], alpha=0.18, linewidth=0)
    ax.axhline(0, color="#777777", linewidth=0.8)
    ax.plot(
        place + 0.5 * (rank / most - 0.5), table["difference"], linestyle="none", marker=MARKERS[0], color=COLORS[0],
        markersize=3.2, alpha=0.8,
    )  # fmt: skip
    ax.set_xticks(range(len(order)), order, fontsize=7.5)
    ax.set_xlabel("lifter, smallest gap first")
    ax.set_ylabel(f"reading less mean [{unit}]")
    ax.set_title(title, fontsize=9)
    return ax


def draw_bias(ax: Axes, table: pd.DataFrame, *, unit: str, index: int, label: str) -> Axes:
    """Mean reading of each lifter less its reference, over the reference. ``table``: reference, difference."""
    t = table.sort_values("reference")
    ax.axhline(0, color="#777777", linewidth=0.8)
    ax.plot(
        t["reference"], t["difference"], marker=MARKERS[index % 6], color=COLORS[index % 6], markersize=4.5, linewidth=0.9,
        linestyle=":", label=label,
    )  # fmt: skip
    ax.set_xlabel(f"reference gap [{unit}]")
    ax.set_ylabel(f"reading less reference [{unit}]")
    return ax


def draw_differences(ax: Axes, table: pd.DataFrame, *, unit: str) -> Axes:
    """Differences of gauges from the others with intervals, one row a gauge. ``table``: gauge, difference, low, high, n."""
    place = np.arange(len(table))[::-1]
    ax.axvline(0, color="#777777", linewidth=0.9)
    value, low, high = (table[c].to_numpy(dtype=float) for c in ("difference", "low", "high"))
    for y, middle, start, end, n in zip(place, value, low, high, table["n"].to_numpy(dtype=int), strict=True):
        if np.isfinite(middle):
            ax.plot([start, end], [y, y], color=COLORS[4], linewidth=1.6)
            ax.plot([middle], [y], marker=MARKERS[0], color=COLORS[0], markersize=5.5)
        ax.annotate(
            f"n = {n}", (1.01, y), xycoords=("axes fraction", "data"), ha="left", va="center", fontsize=7.5,
            color="#444444",
        )  # fmt: skip
    ax.set_yticks(place, table["gauge"].astype(str).tolist(), fontsize=8.5)
    ax.set_ylim(-0.7, len(table) - 0.3)
    ax.set_xlabel(f"reads higher than the others by [{unit}]")
    return ax


def draw_plan(ax: Axes, plan: pd.DataFrame, *, factor: float) -> Axes:
    """How far the gauge could be worse than found, by number of readings, a line a number of technicians."""
    for index, (people, part) in enumerate(plan.groupby("technicians")):
        best = part.groupby("readings")["factor"].min()
        ax.plot(
            best.index, best.to_numpy(), marker=MARKERS[index % 6], color=COLORS[index % 6], linewidth=1.1, markersize=4.5,
            label=f"{people} technicians",
        )  # fmt: skip
    ax.axhline(factor, color="#8b0000", linestyle="--", linewidth=1.0)
    ax.set_ylim(1.0, max(2.0, factor * 1.2, min(6.0, float(plan["factor"].max()) * 1.05)))
    ax.set_xlabel("readings in the study")
    ax.set_ylabel("upper end over true uncertainty")
    ax.legend(fontsize=8)
    return ax

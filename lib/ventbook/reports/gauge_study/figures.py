"""Figures of the gauge-study report."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ventbook.document import plotting
from ventbook.document.plotting import COLORS, MARKERS

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_pass_share(
    ax: Axes, table: pd.DataFrame, *, limit: float, label: str, bias: float, title: str, bias_words: str
) -> Axes:
    """Operating curve: share of readings that pass over the true gap, with its range, the limit, and the bias as an arrow.

    ``table``: gap, share, low, high (display unit, per cent). ``bias`` moves the half-way point from the limit.
    """
    ax.fill_between(table["gap"], table["low"], table["high"], color=COLORS[4], alpha=0.25, linewidth=0)
    ax.plot(table["gap"], table["share"], color=COLORS[0], linewidth=1.6)
    plotting.mark_limit(ax, limit, label, axis="x")
    if abs(bias) > (table["gap"].max() - table["gap"].min()) / 40:
        ax.annotate(
            "", xy=(limit - bias, 50), xytext=(limit, 50),
            arrowprops={"arrowstyle": "-|>", "color": COLORS[1], "linewidth": 1.6},
        )  # fmt: skip
    # where the curve isn't: a high gauge's lies left of the limit, a low one's right
    right, up = (0.97, 0.86) if bias >= 0 else (0.03, 0.08)
    ax.text(
        right,
        up,
        bias_words,
        transform=ax.transAxes,
        fontsize=9.5,
        color=COLORS[1],
        ha="right" if bias >= 0 else "left",
    )
    ax.set_title(title, fontsize=10)
    ax.set_ylim(0, 100)
    ax.set_xlim(table["gap"].min(), table["gap"].max())
    return ax


def draw_true_gaps(
    ax: Axes, table: pd.DataFrame, readings: pd.DataFrame, *, limit: float, label: str, unit: str, per: str
) -> Axes:
    """The fleet's true gaps with their range over the readings less the known bias. ``table``: gap, density, low, high;
    ``readings``: gap, density (steps)."""
    ax.step(
        readings["gap"],
        readings["density"],
        where="mid",
        color=COLORS[4],
        linewidth=0.9,
        label="readings, bias off",
    )
    ax.fill_between(table["gap"], table["low"], table["high"], color=COLORS[0], alpha=0.25, linewidth=0)
    ax.plot(table["gap"], table["density"], color=COLORS[0], linewidth=1.6, label="true gaps, with range")
    plotting.mark_limit(ax, limit, label, axis="x")
    floor = max(float(readings["density"][readings["density"] > 0].min()) / 10, 1e-5)
    plotting.plain_log(ax, floor, float(max(table["high"].max(), readings["density"].max())) * 1.5)
    ax.set_xlabel(f"gap [{unit}]")
    ax.set_ylabel(f"lifters of 1000 per {per}")
    ax.legend(loc="upper right")
    return ax


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
    ax.set_xticks(range(len(order)), order)
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
            f"n = {n}", (1.01, y), xycoords=("axes fraction", "data"), ha="left", va="center", fontsize=9,
            color="#444444",
        )  # fmt: skip
    ax.set_yticks(place, table["gauge"].astype(str).tolist())
    ax.set_ylim(-0.7, len(table) - 0.3)
    ax.set_xlabel(f"reads higher than the others by [{unit}]")
    return ax

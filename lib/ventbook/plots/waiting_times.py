"""Figures of waiting times: curves, groups, ratios, heaped counts, two instruments side by side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from .style import COLORS, HATCHES, series_style, thin_curve

if TYPE_CHECKING:
    from matplotlib.axes import Axes

RATIO_TICKS = (0.2, 0.25, 0.33, 0.5, 0.67, 0.8, 1.0, 1.25, 1.5, 2.0, 3.0, 4.0, 5.0)


def draw_share_ended(
    ax: Axes, points: pd.DataFrame, *, label: str, index: int = 0, band: bool = True
) -> Axes:
    """Share ended by each time, from a curve's points (time, survival, low, high), with its limits as a band."""
    style = series_style(index)
    if band:
        ax.fill_between(
            points["time"],
            100 * (1 - points["high"]),
            100 * (1 - points["low"]),
            color=style["color"],
            alpha=0.18,
            linewidth=0,
        )
    time, share = thin_curve(points["time"], 100 * (1 - points["survival"]))
    ax.plot(time, share, color=style["color"], linestyle=style["linestyle"], linewidth=1.8, label=label)
    # room above 100 % for the name of the limit
    ax.set_ylim(0, 112)
    ax.set_yticks(range(0, 101, 20))
    ax.set_ylabel("share [%]")
    return ax


def draw_model(ax: Axes, time: npt.ArrayLike, share: npt.ArrayLike, *, label: str) -> Axes:
    """A model's share ended by each time, as a thin dashed line."""
    ax.plot(time, 100 * np.asarray(share), color="#333333", linestyle=(0, (4, 2)), linewidth=1.1, label=label)
    return ax


def draw_groups(ax: Axes, groups: pd.DataFrame, *, xlabel: str) -> Axes:
    """Point and interval of each group, one a line from the top (columns label, estimate, low, high, n)."""
    rows = groups.reset_index(drop=True)
    top = float(np.nanmax([*rows["estimate"], *rows["high"], 1.0]))
    for place, (_, row) in enumerate(rows.iterrows()):
        y = len(rows) - 1 - place
        if np.isnan(row["estimate"]):
            ax.text(0.02 * top, y, "too few", va="center", fontsize=8.5, color="#555555")
            continue
        low = row["low"] if not np.isnan(row["low"]) else row["estimate"]
        open_end = np.isnan(row["high"])
        ax.plot([low, 1.15 * top if open_end else row["high"]], [y, y], color=COLORS[0], linewidth=1.6)
        ax.plot([row["estimate"]], [y], marker="o", color=COLORS[0], markersize=6)
    ax.set_yticks(
        range(len(rows)), [f"{r['label']}  ({r['n']})" for _, r in rows.iloc[::-1].iterrows()], fontsize=8.5
    )
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.set_xlim(0, 1.15 * top)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel(xlabel)
    return ax


def draw_ratios(ax: Axes, ratios: pd.DataFrame, *, matters: float, xlabel: str) -> Axes:
    """Ratio and interval of each effect on a log scale, with the band of differences too small to matter.

    Columns label, estimate, low, high; rows from the top; a row without a number says so.
    """
    rows = ratios.reset_index(drop=True)
    ends = np.array([*rows["low"].dropna(), *rows["high"].dropna(), 1 / 1.3, 1.3], dtype=float)
    left, right = max(float(ends.min()) / 1.1, 0.15), min(float(ends.max()) * 1.1, 6.5)
    ax.set_xscale("log")
    ax.axvspan(1 / matters, matters, color="#e4e4e4", zorder=0, linewidth=0)
    ax.axvline(1.0, color="#555555", linewidth=1.0)
    for place, (_, row) in enumerate(rows.iterrows()):
        y = len(rows) - 1 - place
        if np.isnan(row["estimate"]):
            ax.text(1.0, y, "too few", ha="center", va="center", fontsize=8.5, color="#555555")
            continue
        clear = row["low"] > 1 or row["high"] < 1
        ax.plot([max(row["low"], left), min(row["high"], right)], [y, y], color=COLORS[0], linewidth=1.6)
        ax.plot(
            [min(max(row["estimate"], left), right)],
            [y],
            marker="o" if clear else "D",
            markerfacecolor=COLORS[0] if clear else "white",
            markeredgecolor=COLORS[0],
            markersize=6,
        )
    ax.set_xlim(left, right)
    ticks = [tick for tick in RATIO_TICKS if left <= tick <= right]
    ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.minorticks_off()
    ax.set_yticks(range(len(rows)), list(rows["label"].iloc[::-1]), fontsize=8.5)
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel(xlabel)
    return ax


def draw_last_digits(ax: Axes, shares: pd.DataFrame) -> Axes:
    """Share of counts that end in 0 .. 9, one bar group a column (site), with the line of one in ten."""
    width = 0.8 / max(len(shares.columns), 1)
    for place, name in enumerate(shares.columns):
        ax.bar(
            np.arange(10) - 0.4 + width * (place + 0.5),
            100 * shares[name],
            width=width,
            color=COLORS[place % len(COLORS)],
            hatch=HATCHES[place % len(HATCHES)],
            edgecolor="white",
            linewidth=0.4,
            label=str(name),
        )
    ax.axhline(10, color="#333333", linestyle="--", linewidth=1.0)
    ax.set_xticks(range(10))
    ax.set_xlabel("last digit of the count")
    ax.set_ylabel("share of counts [%]")
    ax.grid(axis="x", visible=False)
    return ax


def draw_pairs(
    ax: Axes, first: Sequence[float], second: Sequence[float], *, xlabel: str, ylabel: str
) -> Axes:
    """Readings of the same starts by two instruments, with the line of equal readings."""
    style = series_style(0)
    top = 1.05 * max([*first, *second, 1.0])
    ax.plot([0, top], [0, top], color="#555555", linewidth=1.0)
    ax.plot(
        first, second, linestyle="", marker=style["marker"], color=style["color"], markersize=4.5, alpha=0.6
    )
    ax.set_xlim(0, top)
    ax.set_ylim(0, top)
    ax.set_xlabel(xlabel)
    ax.set_ylabel(ylabel)
    return ax

"""Figures on rotations: recorded against expected, and ratios of groups."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .style import COLORS, MARKERS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

GREY = "#555555"


def draw_against_expected(ax: Axes, frame: pd.DataFrame, *, low: float, high: float, level: float) -> Axes:
    """Each venting's count over its expectation, logarithmic, with the line of equality and the band of one job.

    frame : columns expected, recorded, engine_type, given_up (bool). Given-up counts are arrows that point up.
    low, high : the band, in multiples of the expectation, that ``level`` of ventings keep to.
    """
    values = np.concatenate([frame["expected"], frame["recorded"]]).astype(float)
    ends = (
        np.array([max(values.min() * 0.8, 1.0), values.max() * 1.25])
        if len(values)
        else np.array([10.0, 100.0])
    )
    ax.fill_between(
        ends, low * ends, high * ends, color="#dfe6ea", zorder=0, label=f"{100 * level:.0f} of 100 jobs"
    )
    ax.plot(ends, ends, color=GREY, linestyle="--", linewidth=1, label="as expected")
    for place, (name, part) in enumerate(frame.groupby("engine_type", sort=True)):
        shown = part[~part["given_up"]]
        ax.plot(
            shown["expected"], shown["recorded"], MARKERS[place % len(MARKERS)], color=COLORS[place % len(COLORS)],
            markersize=4.5, alpha=0.8, label=str(name),
        )  # fmt: skip
    stopped = frame[frame["given_up"]]
    if len(stopped):
        ax.plot(stopped["expected"], stopped["recorded"], marker=r"$\uparrow$", linestyle="", color="black", markersize=9,
                label="given up")  # fmt: skip
    ax.set(xscale="log", yscale="log", xlim=ends, ylim=ends)
    for axis in (ax.xaxis, ax.yaxis):
        ticks = [t for t in (5, 10, 20, 50, 100, 200, 500, 1000) if ends[0] <= t <= ends[1]]
        axis.set_ticks(ticks, [str(t) for t in ticks])
        axis.set_minor_formatter("")
    ax.set_xlabel("rotations expected from lines, volumes and oil")
    ax.set_ylabel("rotations recorded")
    ax.legend(fontsize=8, frameon=False, loc="upper left")
    return ax


def draw_group_ratios(ax: Axes, frame: pd.DataFrame, *, title: str) -> Axes:
    """Ratios with intervals, one line a group, against the line at 1.

    frame : columns group, n, estimate, low, high; rows without an estimate are listed with "too few".
    """
    y = np.arange(len(frame))[::-1]
    ax.axvline(1, color=GREY, linestyle="--", linewidth=1)
    known = frame["estimate"].notna().to_numpy()
    centre, low, high = (frame.loc[known, name].to_numpy(float) for name in ("estimate", "low", "high"))
    ax.hlines(y[known], low, high, color=COLORS[0], linewidth=2)
    ax.plot(centre, y[known], MARKERS[0], color=COLORS[0])
    for at in y[~known]:
        ax.annotate(
            "too few", (1, at), xytext=(4, 0), textcoords="offset points", va="center", fontsize=8, color=GREY
        )
    ax.set_yticks(
        y, [f"{g}  (n = {n})" for g, n in zip(frame["group"], frame["n"], strict=True)], fontsize=8.5
    )
    ax.set_ylim(-0.6, len(frame) - 0.4)
    ax.grid(True, axis="x")
    ax.grid(False, axis="y")
    ax.set_title(title)
    ax.set_xlabel("rotations recorded over expected")
    return ax

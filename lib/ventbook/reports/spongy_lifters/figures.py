"""Figures on install context: effects side by side, who came with whom, engines that come back, modes, gaps."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ventbook.document.plotting import COLORS, mark_limit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SHOWN = (0.1, 20.0)
GREYS = "Greys"


def draw_effects(ax: Axes, table: pd.DataFrame, *, matters: float) -> Axes:
    """Crude (open square) beside adjusted (full circle) odds ratios on a log axis, one row a circumstance.

    ``table``: label, crude, adjusted and their _low and _high, top row first. Intervals are cut at the axis' ends. The
    band between 1/``matters`` and ``matters`` is shaded.
    """
    rows = np.arange(len(table))[::-1]
    ax.axvspan(1 / matters, matters, color="0.92", zorder=0)
    ax.axvline(1, color="0.3", linewidth=0.9)
    for name, offset, marker, face, color in (
        ("crude", 0.17, "s", "white", COLORS[4]),
        ("adjusted", -0.17, "o", COLORS[0], COLORS[0]),
    ):
        values = table[[name, f"{name}_low", f"{name}_high"]].to_numpy(dtype=float)
        shown = np.isfinite(values).all(axis=1)
        centre, low, high = np.clip(values[shown], *SHOWN).T
        y = rows[shown] + offset
        ax.hlines(y, low, high, color=color, linewidth=1.3)
        ax.plot(
            centre,
            y,
            linestyle="",
            marker=marker,
            markerfacecolor=face,
            color=color,
            markersize=5,
            label=name,
        )
    ax.set_xscale("log")
    ax.set_xlim(SHOWN[0] * 0.9, SHOWN[1] * 1.1)
    ax.set_xticks([0.1, 0.2, 0.5, 1, 2, 5, 10, 20], ["0.1", "0.2", "0.5", "1", "2", "5", "10", "20"])
    ax.minorticks_off()
    ax.set_yticks(rows, table["label"].tolist())
    ax.set_ylim(-0.7, len(table) - 0.3)
    ax.set_xlabel("odds ratio of a lifter over the limit")
    ax.legend(loc="lower right")
    return ax


def draw_company(ax: Axes, table: pd.DataFrame, names: Sequence[str], labels: Sequence[str]) -> Axes:
    """Association of pairs as shades of grey with the number written in, factors in both directions.

    ``table``: factor_a, factor_b, association (0..1); pairs without one stay white.
    """
    place = {name: i for i, name in enumerate(names)}
    grid = np.full((len(names), len(names)), np.nan)
    for a, b, v in zip(
        table["factor_a"].tolist(), table["factor_b"].tolist(), table["association"].tolist(), strict=True
    ):
        if a in place and b in place:
            i, j = sorted((place[a], place[b]))
            grid[j, i] = v
    ax.imshow(grid, cmap=GREYS, vmin=0, vmax=1.2, aspect="auto")
    for (i, j), value in np.ndenumerate(grid):
        if not np.isnan(value) and value >= 0.3:
            ax.text(
                j,
                i,
                f"{value:.1f}",
                ha="center",
                va="center",
                fontsize=9,
                color="white" if value > 0.7 else "black",
            )
    ax.set_xticks(range(len(names)), labels, rotation=90)
    ax.set_yticks(range(len(names)), labels)
    ax.grid(False)
    return ax


def draw_timeline(ax: Axes, table: pd.DataFrame, engines: Sequence[str]) -> Axes:
    """Each engine's ventings over time: open circle without, full square with a finding, with the lifters over.

    ``table``: engine_id, date, over (lifters over the limit; NaN = not checked).
    """
    place = {engine: len(engines) - 1 - i for i, engine in enumerate(engines)}
    for engine, y in place.items():
        own = table[table["engine_id"] == engine]
        over = own["over"].to_numpy(dtype=float)
        dates = own["date"].to_numpy()
        ax.plot(dates, np.full(len(own), y), color="0.8", linewidth=1, zorder=1)
        sound, bad, unknown = over == 0, over > 0, np.isnan(over)
        ax.plot(
            dates[sound],
            np.full(sound.sum(), y),
            linestyle="",
            marker="o",
            markerfacecolor="white",
            color=COLORS[0],
        )
        ax.plot(dates[bad], np.full(bad.sum(), y), linestyle="", marker="s", color=COLORS[1])
        ax.plot(dates[unknown], np.full(unknown.sum(), y), linestyle="", marker="x", color=COLORS[4])
        for day, n in zip(dates[bad], over[bad], strict=True):
            ax.annotate(
                f"{n:.0f}", (day, y), xytext=(0, 5), textcoords="offset points", ha="center", fontsize=9
            )
    ax.set_yticks(list(place.values()), list(place))
    ax.set_ylim(-0.7, len(engines) - 0.3)
    ax.set_xlabel("date of venting")
    ax.set_ylabel("engine")
    return ax


def draw_engine(ax: Axes, days: Sequence[Any], over: Sequence[float]) -> Axes:
    """One engine's ventings on a line in order of date, with the lifters over the limit (NaN: not checked) and the day.

    They stand side by side, for two ventings may lie a day or two years apart.
    """
    ax.plot(range(len(days)), [0] * len(days), color="0.8", linewidth=1, zorder=1)
    for x, n in enumerate(over):
        marker, face = ("x", COLORS[4]) if np.isnan(n) else ("s", COLORS[1]) if n > 0 else ("o", "white")
        edge = COLORS[4] if np.isnan(n) else COLORS[1] if n > 0 else COLORS[0]
        ax.plot([x], [0], linestyle="", marker=marker, markersize=11, markerfacecolor=face, color=edge)
        if n > 0:
            ax.annotate(
                f"{n:.0f}", (x, 0), xytext=(0, 10), textcoords="offset points", ha="center", fontsize=10
            )
    every = max(1, -(-len(days) // 5))
    ax.set_xticks(range(0, len(days), every), [f"{day:%Y-%m}" for day in list(days)[::every]])
    ax.set_yticks([])
    ax.set_xlim(-0.5, max(len(days) - 0.5, 0.5))
    ax.set_ylim(-1, 1)
    ax.grid(visible=False)
    ax.spines["left"].set_visible(False)
    return ax


def draw_modes(ax: Axes, counts: pd.DataFrame) -> Axes:
    """Findings by mode: those whose record fits it, and those that leave it open.

    ``counts``: name, fits, open; top row first.
    """
    rows = np.arange(len(counts))[::-1]
    fits, left = counts["fits"].to_numpy(dtype=float), counts["open"].to_numpy(dtype=float)
    ax.barh(rows, fits, color=COLORS[0], label="record fits")
    ax.barh(rows, left, left=fits, color="white", edgecolor=COLORS[4], hatch="///", label="left open")
    ax.set_yticks(rows, counts["name"].tolist())
    ax.set_xlabel("findings")
    ax.legend(loc="lower right")
    return ax


def draw_gaps(ax: Axes, table: pd.DataFrame, *, limit: float, unit: str, placeholder: bool) -> Axes:
    """One venting's gaps by position: first check (square), last check (circle), joined.

    ``table``: position, first, last, in the figure's unit.
    """
    x = np.arange(len(table))
    first, last = table["first"].to_numpy(dtype=float), table["last"].to_numpy(dtype=float)
    ax.vlines(x, np.fmin(first, last), np.fmax(first, last), color="0.7")
    ax.plot(x, first, linestyle="", marker="s", color=COLORS[1], label="first check")
    ax.plot(x, last, linestyle="", marker="o", markerfacecolor="white", color=COLORS[0], label="last check")
    if np.isfinite(limit):
        mark_limit(ax, limit, "limit", placeholder=placeholder)
    ax.set_xticks(x, table["position"].tolist(), rotation=45, ha="right")
    ax.set_ylim(bottom=0)
    ax.set_ylabel(f"gap [{unit}]")
    ax.legend()
    return ax

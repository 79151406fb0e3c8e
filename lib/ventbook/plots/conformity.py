"""Figures of the conformity report."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .style import COLORS, MARKERS

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_shares(ax: Axes, table: pd.DataFrame, *, label: str, counts: str = "n") -> Axes:
    """Shares with intervals as points on lines, one row a line, first row on top.

    ``table``: columns ``label`` (text), estimate, low, high (shares; NaN = no number), and ``counts`` (text drawn at
    the right end).
    """
    place = np.arange(len(table))[::-1]
    known = table["estimate"].notna().to_numpy()
    low, high = table["low"].to_numpy(float) * 100, table["high"].to_numpy(float) * 100
    for line in np.flatnonzero(known):
        ax.plot([low[line], high[line]], [place[line]] * 2, color=COLORS[4], linewidth=1.4)
    ax.plot(
        table["estimate"].to_numpy(float)[known] * 100,
        place[known],
        linestyle="none",
        marker=MARKERS[0],
        color=COLORS[0],
        markersize=5,
    )
    ax.set_yticks(place, table[label].astype(str).tolist(), fontsize=8)
    ax.set_ylim(-0.7, len(table) - 0.3)
    for height, text in zip(place, table[counts].astype(str), strict=True):
        ax.annotate(
            text,
            (1.01, height),
            xycoords=("axes fraction", "data"),
            ha="left",
            va="center",
            fontsize=7.5,
            color="#444444",
        )
    ax.set_xlabel("recorded steps within their limit, %")
    return ax


def draw_periods(ax: Axes, tables: dict[str, pd.DataFrame], *, labels: list[str]) -> Axes:
    """Shares by period, one line a group: columns period, estimate, low, high; the first group with its band."""
    from .style import series_style

    positions = {label: number for number, label in enumerate(labels)}
    for number, (name, table) in enumerate(tables.items()):
        known = table[table["estimate"].notna()]
        x = known["period"].map(positions).to_numpy(float)
        if number == 0:
            ax.fill_between(
                x, known["low"] * 100, known["high"] * 100, color=COLORS[0], alpha=0.12, linewidth=0
            )
        style = series_style(number)
        ax.plot(
            x,
            known["estimate"] * 100,
            label=name,
            linewidth=2.0 if number == 0 else 1.1,
            markersize=4.5,
            **style,
        )
    ax.set_xticks(range(len(labels)), labels)
    ax.set_xlim(-0.3, len(labels) - 0.7)
    ax.set_ylabel("recorded steps within, %")
    ax.legend(loc="lower left", bbox_to_anchor=(0, 1.0), ncols=6, fontsize=8, borderaxespad=0.2)
    return ax

"""Figures of the lifter-gap report."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ventbook.document.plotting import COLORS, LIMIT_COLOR, MARKERS, end_at_whole, mark_limit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CAUSE_ORDER = ("air", "leak_down", "both", "bottomed", "unclear", "contradictory")


def draw_share_lines(ax: Axes, table: pd.DataFrame, *, label: str, xlabel: str) -> Axes:
    """Shares with intervals, one row a line, first row on top; columns: label, estimate, low, high, n."""
    place = np.arange(len(table))[::-1]
    known = table["estimate"].notna().to_numpy()
    low, high = table["low"].to_numpy(float) * 100, table["high"].to_numpy(float) * 100
    for line in np.flatnonzero(known):
        ax.plot([low[line], high[line]], [place[line]] * 2, color=COLORS[4], linewidth=1.6)
    ax.plot(
        table["estimate"].to_numpy(float)[known] * 100, place[known], linestyle="none", marker=MARKERS[0],
        color=COLORS[0], markersize=5.5,
    )  # fmt: skip
    ax.set_yticks(place, table[label].astype(str).tolist())
    ax.set_ylim(-0.7, len(table) - 0.3)
    ax.set_xlim(left=0)
    for height, n in zip(place, table["n"], strict=True):
        ax.annotate(
            f"n = {int(n)}", (1.01, height), xycoords=("axes fraction", "data"), ha="left", va="center", fontsize=9,
            color="#444444",
        )  # fmt: skip
    ax.set_xlabel(xlabel)
    return end_at_whole(ax, axis="x")


def draw_position_map(ax: Axes, table: pd.DataFrame, *, title: str, highest: float) -> Axes:
    """Shares on the engine's layout: a column a cylinder, a row a valve; the number stands in the field.

    ``table``: cylinder, valve, estimate (written in per cent); ``highest``: share of the darkest blue.
    """
    valves = sorted(table["valve"].unique())
    cylinders = sorted(table["cylinder"].unique())
    field = np.full((len(valves), len(cylinders)), np.nan)
    for cylinder, valve, estimate in table[["cylinder", "valve", "estimate"]].itertuples(index=False):
        field[valves.index(valve), cylinders.index(cylinder)] = estimate
    ax.imshow(field, cmap="Blues", vmin=0, vmax=max(highest, 1e-6), aspect="auto")
    for i, valve in enumerate(valves):
        for j, cylinder in enumerate(cylinders):
            row = table[(table["valve"] == valve) & (table["cylinder"] == cylinder)]
            if row.empty:
                continue
            value = float(row["estimate"].iloc[0])
            dark = np.isfinite(value) and value > 0.6 * highest
            text = f"{100 * value:.1f}" if np.isfinite(value) else "–"
            ax.text(j, i, text, ha="center", va="center", fontsize=9, color="white" if dark else "black")
    ax.set_xticks(range(len(cylinders)), [str(c) for c in cylinders])
    ax.set_yticks(range(len(valves)), [str(v).replace("_", " ") for v in valves])
    ax.set_xlabel("cylinder")
    ax.set_title(title, fontsize=9)
    ax.grid(False)
    return ax


def draw_gap_counts(
    ax: Axes,
    edges: Sequence[float],
    counts: Sequence[int],
    *,
    limit: float,
    band: float,
    label: str,
    unit: str,
    placeholder: bool,
) -> Axes:
    """How many lifters read what, on a logarithmic count axis, with the limit and the gauge's band about it."""
    left, height = np.asarray(edges, dtype=float), np.asarray(counts, dtype=float)
    ax.bar(
        left[:-1],
        height,
        width=np.diff(left),
        align="edge",
        color=COLORS[0],
        alpha=0.75,
        linewidth=0.3,
        edgecolor="white",
    )
    ax.axvspan(limit - band, limit + band, color=LIMIT_COLOR, alpha=0.15, linewidth=0, hatch="///")
    mark_limit(ax, limit, label, axis="x", placeholder=placeholder)
    top = max(2.0, float(height.max(initial=1)) * 2)
    ax.set_yscale("symlog", linthresh=1)
    ax.set_yticks(shown := [n for n in (0, 1, 10, 100, 1000, 10_000) if n <= top], [str(n) for n in shown])
    ax.set_ylim(bottom=0, top=top)
    ax.set_xlim(left=0)
    ax.set_xlabel(f"gap under force at the first check [{unit}]")
    ax.set_ylabel("lifters")
    return ax


def draw_pairs(
    ax: Axes, table: pd.DataFrame, *, limit: float, label: str, unit: str, placeholder: bool
) -> Axes:
    """Last reading over first, with the band that a second look alone would fall into.

    ``table``: first, last, alone_low, alone_high (display unit), beyond.
    """
    order = table.sort_values("first")
    known = order["alone_low"].notna()
    if known.any():
        ax.fill_between(
            order["first"][known], order["alone_low"][known], order["alone_high"][known], color=COLORS[4], alpha=0.25,
            linewidth=0, label="a second look alone",
        )  # fmt: skip
    top = float(max(order["first"].max(), order["last"].max())) * 1.05
    ax.plot([0, top], [0, top], color="#777777", linewidth=0.8, linestyle=":")
    groups = (
        ("smaller", "smaller than a second look"),
        ("as_second_look", "as a second look"),
        ("larger", "larger"),
        ("", "not known"),
    )
    for number, (name, words) in enumerate(groups):
        part = order[order["beyond"] == name]
        if len(part):
            ax.plot(
                part["first"], part["last"], linestyle="none", marker=MARKERS[number], color=COLORS[number], markersize=4.5,
                label=f"{words} ({len(part)})",
            )  # fmt: skip
    mark_limit(ax, limit, label, placeholder=placeholder)
    ax.set_xlabel(f"first reading [{unit}]")
    ax.set_ylabel(f"last reading [{unit}]")
    ax.set_xlim(left=max(0.0, float(order["first"].min()) * 0.9), right=top)
    ax.set_ylim(bottom=0)
    ax.legend(loc="upper left")
    return ax


def draw_cause_map(ax: Axes, table: pd.DataFrame, *, names: dict[str, str]) -> Axes:
    """Trapped air against growth of the gap under force, one mark a finding, marks by cause.

    ``table``: trapped_air_mm3, growth_um_per_s, cause.
    """
    for number, cause in enumerate(CAUSE_ORDER):
        part = table[table["cause"] == cause]
        if len(part):
            ax.plot(
                part["trapped_air_mm3"], part["growth_um_per_s"], linestyle="none", marker=MARKERS[number],
                color=COLORS[number], markersize=4.8, alpha=0.85, label=f"{names[cause]} ({len(part)})",
            )  # fmt: skip
    ax.axhline(0, color="#777777", linewidth=0.8)
    ax.set_xlabel("free air trapped in the lifter [mm³]")
    ax.set_ylabel("growth under force [µm/s]")
    ax.legend()
    return ax


def draw_air(ax: Axes, table: pd.DataFrame, groups: Sequence[Any], *, group: str) -> Axes:
    """Trapped air of the findings by group: a mark each, a bar at the median."""
    for place, name in enumerate(groups):
        values = np.sort(table.loc[table[group] == name, "trapped_air_mm3"].dropna().to_numpy(float))
        if values.size == 0:
            continue
        spread = np.linspace(-0.25, 0.25, values.size) if values.size > 1 else np.zeros(1)
        ax.plot(
            place + spread,
            values,
            linestyle="none",
            marker=MARKERS[place % 6],
            color=COLORS[place % 6],
            markersize=3.8,
            alpha=0.7,
        )
        ax.plot([place - 0.32, place + 0.32], [np.median(values)] * 2, color="black", linewidth=1.6)
    ax.set_xticks(range(len(groups)), [str(g) for g in groups])
    ax.set_xlim(-0.6, len(groups) - 0.4)
    ax.set_ylabel("free air trapped [mm³]")
    ax.set_ylim(bottom=0)
    return ax

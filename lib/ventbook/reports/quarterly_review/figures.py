"""Figures of the quarterly review: shares by period, observed over expected, sites on a funnel, evidence sums."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ventbook.document.plotting import COLORS, LIMIT_COLOR, MARKERS, STYLE, mark_break

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ventbook.results import Estimate

GREY = "#555555"


def _finish(ax: Axes, title: str, *, legend: Any = "", columns: int = 2) -> Axes:
    """Title and legend in the report's look, which matplotlib reads at the moment they are made."""
    import matplotlib as mpl

    with mpl.rc_context(fname=STYLE):
        ax.set_title(title)
        if legend:
            ax.legend(loc=legend, ncols=columns)
    return ax


def draw_share_chart(
    ax: Axes, chart: pd.DataFrame, *, title: str, provisional: bool = False, breaks: dict[str, str] | None = None
) -> Axes:  # fmt: skip
    """Share by period as points on a line, its band of chance as a shaded strip, the centre dashed.

    chart : columns label, value, centre, low_limit, high_limit, outside (shares 0..1). A point outside the band is a
    square; the last one is hollow while the period is provisional.
    """
    x = np.arange(len(chart))
    value = 100 * chart["value"].to_numpy(float)
    low, high = (100 * chart[name].to_numpy(float) for name in ("low_limit", "high_limit"))
    ax.fill_between(x, low, high, step="mid", color="#dfe6ea", zorder=0, label="band that chance makes")
    ax.plot(x, 100 * chart["centre"], color=GREY, linestyle="--", linewidth=1, label="all periods together")
    ax.plot(x, value, color=COLORS[0], zorder=2)
    outside = (chart["outside"] != "").to_numpy()
    ax.plot(x[~outside], value[~outside], MARKERS[0], color=COLORS[0], zorder=3, label="share of ventings")
    if outside.any():
        ax.plot(
            x[outside],
            value[outside],
            MARKERS[1],
            color=COLORS[1],
            markersize=8,
            zorder=3,
            label="outside the band",
        )
    if provisional and len(x):
        ax.plot(
            x[-1:],
            value[-1:],
            MARKERS[0],
            color="white",
            markeredgecolor=COLORS[0],
            zorder=4,
            label="provisional",
        )
    for label, words in (breaks or {}).items():
        if label in list(chart["label"]):
            mark_break(ax, list(chart["label"]).index(label) - 0.5, words)
    _periods(ax, list(chart["label"]))
    ax.set_ylim(0, 1.35 * np.nanmax(np.concatenate([value, high, [5.0]])))
    ax.set_yticks([tick for tick in ax.get_yticks() if 0 <= tick <= min(100.0, ax.get_ylim()[1])])
    ax.set_ylabel("ventings with a spongy lifter [%]")
    return _finish(ax, title, legend="upper left")


def draw_split(
    ax: Axes, split: pd.DataFrame, shares: Mapping[str, Estimate], titles: Mapping[str, str], styles: Mapping[str, Mapping[str, Any]]
) -> Axes:  # fmt: skip
    """Share of failing ventings by quarter, stacked by cause, with the share's own range as a line; legend below.

    split : quarters by causes, shares 0..1 that add up to the quarter's; without columns the bars are whole.
    """
    x = np.arange(len(shares))
    value = 100 * np.array([np.nan if s.estimate is None else s.estimate for s in shares.values()])
    ends = [(np.nan, np.nan) if s.low is None or s.high is None else (s.low, s.high) for s in shares.values()]
    bottom = np.zeros(len(shares))
    for cause in split.columns:
        height = 100 * split[cause].to_numpy(float)
        ax.bar(x, height, bottom=bottom, width=0.74, label=titles[cause], **styles[cause])
        bottom += height
    if not len(split.columns):
        ax.bar(x, np.nan_to_num(value), width=0.74, color=COLORS[0])
    low, high = 100 * np.array(ends).T
    ax.vlines(x, low, high, color="black", linewidth=1.3)
    top = float(np.nanmax(np.concatenate([value, high, [10.0]])))
    ax.set_ylim(0, min(100.0, 1.08 * top))
    years = [q[:4] for q in shares]
    ax.set_xticks(
        x, [f"{q[4:]}\n{q[:4]}" if not i or years[i - 1] != q[:4] else q[4:] for i, q in enumerate(shares)]
    )
    ax.set_ylabel("ventings [%]")
    if len(split.columns):
        ax.legend(loc="upper left", bbox_to_anchor=(-0.16, -0.22), ncols=1, borderaxespad=0, handlelength=1.4)
    return ax


def draw_ratios(ax: Axes, table: pd.DataFrame, *, title: str) -> Axes:
    """Observed over expected with intervals on a log scale, one row a period or site, the line at 1 marked.

    table : columns label, estimate, low, high; a low end of 0 is drawn to the edge.
    """
    shown = table[table["estimate"].notna()].reset_index(drop=True)
    y = np.arange(len(shown))[::-1]
    floor = 0.2
    low = np.maximum(shown["low"].to_numpy(float), floor * 0.9)
    high = np.maximum(shown["high"].to_numpy(float), floor)
    middle = np.maximum(shown["estimate"].to_numpy(float), floor)
    ax.hlines(y, low, high, color=COLORS[0], linewidth=1.6)
    ax.plot(middle, y, MARKERS[0], color=COLORS[0])
    ax.axvline(1, color=LIMIT_COLOR, linestyle="--", linewidth=1.2)
    ax.set_xscale("log")
    ticks = [0.2, 0.5, 1, 2, 5]
    ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.minorticks_off()
    ax.set_xlim(floor * 0.9, max(5.5, float(np.nanmax(high, initial=1.0)) * 1.1))
    ax.set_yticks(y, [str(value) for value in shown["label"]])
    ax.set_ylim(-0.6, max(len(shown) - 0.4, 0.6))
    ax.grid(axis="x")
    ax.set_xlabel("failing ventings: observed over expected")
    return _finish(ax, title)


def draw_funnel(
    ax: Axes, funnel: pd.DataFrame, limits: pd.DataFrame, shrunk: pd.DataFrame, *, title: str
) -> Axes:
    """Sites by number of ventings and share, inside the curves that chance allows for each number.

    funnel : site, n, value, centre, outside; limits : n, low_inner, high_inner, low_outer, high_outer (curves);
    shrunk : site, estimate, low, high (hollow mark with its interval, slightly to the right).
    """
    n = limits["n"].to_numpy(float)
    for name, style, words in (
        ("inner", "--", "one site, 95 of 100"),
        ("outer", ":", "all sites, nearly always"),
    ):
        for side in ("low", "high"):
            label = f"chance stays inside, {words}" if side == "low" else None
            ax.plot(
                n, 100 * limits[f"{side}_{name}"], color=GREY, linestyle=style, linewidth=1.1, label=label
            )
    ax.axhline(100 * funnel["centre"].iloc[0], color=GREY, linewidth=0.8)
    shown = funnel[funnel["n"] > 0].merge(shrunk[["site", "estimate", "low", "high"]], on="site", how="left")
    x, y = shown["n"].to_numpy(float), 100 * shown["value"].to_numpy(float)
    step = 0.012 * float(n.max())
    middle, low, high = (100 * shown[name].to_numpy(float) for name in ("estimate", "low", "high"))
    ax.vlines(x + step, low, high, color=COLORS[2], linewidth=1.2)
    ax.plot(
        x + step,
        middle,
        MARKERS[3],
        color="white",
        markeredgecolor=COLORS[2],
        label="drawn towards all sites",
    )
    ax.plot(x, y, MARKERS[0], color=COLORS[0], label="as recorded")
    for site, at, value in zip(shown["site"], x, y, strict=True):
        ax.annotate(
            str(site), (at, value), xytext=(-6, 5), textcoords="offset points", ha="right", fontsize=9
        )
    ax.set_xlim(0, float(n.max()))
    ax.set_ylim(0, min(100.0, max(10.0, 1.35 * float(np.nanmax(np.concatenate([y, high]))), 12.0)))
    ax.set_xlabel("ventings with a result")
    ax.set_ylabel("with a spongy lifter [%]")
    return _finish(ax, title, legend="upper right")


def draw_levels(
    ax: Axes, table: pd.DataFrame, *, title: str, unit: str, groups: Sequence[str] = ()
) -> Axes:  # fmt: skip
    """A number by period with its interval, one line a site (``groups`` empty: one line).

    table : columns label, estimate, low, high and site. Sites differ by marker and line as well as colour.
    """
    from ventbook.document.plotting import series_style

    labels = list(dict.fromkeys(table["label"]))
    wanted: list[str | None] = list(groups) or [None]
    for index, name in enumerate(wanted):
        part = table if name is None else table[table["site"] == name]
        x = np.array([labels.index(label) for label in part["label"]]) + 0.08 * (
            index - (len(wanted) - 1) / 2
        )
        y, low, high = (part[c].to_numpy(float) for c in ("estimate", "low", "high"))
        style = series_style(index)
        ax.plot(x, y, label=name, **style)
        ax.vlines(
            x,
            np.where(np.isnan(low), y, low),
            np.where(np.isnan(high), y, high),
            color=style["color"],
            linewidth=1,
        )
    _periods(ax, labels)
    ax.set_ylabel(unit)
    return _finish(ax, title, legend="upper left" if groups else "", columns=min(len(wanted), 4))


def _periods(ax: Axes, labels: list[str]) -> None:
    every = max(1, -(-len(labels) // 12))
    places = range((len(labels) - 1) % every, len(labels), every)
    turned = any(len(label) > 8 for label in labels)
    ax.set_xticks(
        list(places),
        [labels[i] for i in places],
        rotation=30 if turned else 0,
        ha="right" if turned else "center",
    )
    ax.set_xlim(-0.6, max(len(labels) - 0.4, 0.6))


def draw_between(ax: Axes, chart: pd.DataFrame, *, since_last: int, title: str) -> Axes:
    """Sound ventings before each failing one as stems, the usual number dashed, the upper limit dotted; the run since the
    last failing one is hollow, for it isn't over.
    """
    x, y = np.arange(1, len(chart) + 1), chart["value"].to_numpy(float)
    ax.vlines(x, 0, y, color=COLORS[0], linewidth=1)
    ax.plot(x, y, MARKERS[0], color=COLORS[0], label="before a failing venting")
    ax.plot(
        [len(chart) + 1],
        [since_last],
        MARKERS[0],
        color="white",
        markeredgecolor=COLORS[0],
        label="since the last one",
    )
    ax.axhline(chart["centre"].iloc[0], color=GREY, linestyle="--", linewidth=1, label="usual")
    ax.axhline(
        chart["high_limit"].iloc[0], color=GREY, linestyle=":", linewidth=1.1, label="chance stays under"
    )
    top = max(float(y.max(initial=0.0)), float(since_last), float(chart["high_limit"].iloc[0]))
    ax.set_ylim(0, 1.4 * top + 1)
    every = max(1, -(-(len(chart) + 1) // 12))
    ax.set_xticks(range(1, len(chart) + 2, every))
    ax.set_xlabel("failing ventings in order of date")
    ax.set_ylabel("sound ventings")
    return _finish(ax, title, legend="upper left")

"""One start as it was logged, with the steps of the procedure marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from .style import mark_limit, series_style, thin_curve

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Step:
    """A speed band of the procedure, in the figure's unit: kept where ``kept`` is True, None where not known."""

    name: str
    low: float
    high: float
    kept: bool | None


def draw_speed(ax: Axes, t: Floats, speed: Floats, steps: Sequence[Step]) -> Axes:
    """Speed over time; each step's band is shaded and named, and says whether it was kept."""
    _draw_line(ax, t, speed, 0)
    for place, step in enumerate(steps):
        ax.axhspan(step.low, step.high, color="0.85", zorder=0)
        word = {True: "kept", False: "not kept", None: "not known"}[step.kept]
        above = place % 2 == 1
        ax.text(
            0.99,
            step.high if above else step.low,
            f"{step.name}: {word}",
            transform=ax.get_yaxis_transform(),
            ha="right",
            va="bottom" if above else "top",
            fontsize=7.5,
        )
    if steps:
        ax.set_ylim(top=1.12 * max([*(step.high for step in steps), float(np.nanmax(speed, initial=0.0))]))
    ax.set_ylabel("speed [rpm]")
    return ax


def draw_pressure(
    ax: Axes,
    t: Floats,
    pressure: Floats,
    *,
    threshold: float,
    unit: str,
    label: str,
    start: float | None,
    shown: tuple[float, float] | None,
) -> Axes:
    """Oil pressure over time with the threshold, the engine's start, and where pressure showed (low, high]."""
    _draw_line(ax, t, pressure, 1)
    mark_limit(ax, threshold, label)
    if start is not None:
        ax.axvline(start, color="0.4", linewidth=1.0, linestyle=":")
    if shown is not None:
        ax.axvspan(*shown, color="0.75", zorder=0)
    ax.set_ylabel(f"oil pressure [{unit}]")
    return ax


def draw_temperature(ax: Axes, t: Floats, temperature: Floats, *, warm: float, unit: str, label: str) -> Axes:
    """Oil temperature over time with the end of warm-up."""
    _draw_line(ax, t, temperature, 2)
    mark_limit(ax, warm, label)
    ax.set_ylabel(f"oil temperature [{unit}]")
    ax.set_xlabel("time in the trace [s]")
    return ax


def _draw_line(ax: Axes, t: Floats, values: Floats, index: int) -> None:
    style = {**series_style(index), "marker": "", "linewidth": 1.1, "linestyle": "-"}
    ax.plot(*thin_curve(t, values), **style)

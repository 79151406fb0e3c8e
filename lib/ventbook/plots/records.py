"""Figures of the records report: what is recorded, as a map."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_recorded(
    ax: Axes, share: npt.NDArray[np.float64], rows: Sequence[str], columns: Sequence[str]
) -> Axes:
    """A map of shares recorded, 0 to 1, (rows, columns); each cell carries its per cent, NaN cells a dash."""
    ax.imshow(np.where(np.isnan(share), 1.0, share), cmap="Greys_r", vmin=-0.6, vmax=1.0, aspect="auto")
    for i, j in np.ndindex(share.shape):
        value = share[i, j]
        text = "-" if np.isnan(value) else f"{100 * value:.0f}"
        dark = not np.isnan(value) and value < 0.35
        ax.text(j, i, text, ha="center", va="center", fontsize=7, color="white" if dark else "black")
    ax.set_xticks(range(len(columns)), columns, fontsize=8)
    ax.set_yticks(range(len(rows)), rows, fontsize=7.5)
    ax.tick_params(length=0)
    ax.grid(False)
    for spine in ax.spines.values():
        spine.set_visible(False)
    ax.set_xlabel("quarter of the venting; cells: % of rows in which it is recorded (dark: seldom)")
    return ax

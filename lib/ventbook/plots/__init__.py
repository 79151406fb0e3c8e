"""Figures from results. Functions take an Axes and return it; nothing here computes.

The look stands in ``ventbook.mplstyle``; ``style`` opens figures and turns them into SVG. Each report keeps its own
drawing functions in a topic module beside it (``ventbook.plots.<topic>``).
"""

from .style import (
    COLORS,
    HATCHES,
    LINES,
    MARKERS,
    mark_break,
    mark_limit,
    new_figure,
    series_style,
    svg_bytes,
    thin_curve,
)

__all__ = [
    "COLORS",
    "HATCHES",
    "LINES",
    "MARKERS",
    "mark_break",
    "mark_limit",
    "new_figure",
    "series_style",
    "svg_bytes",
    "thin_curve",
]

"""Times and turns as waiting times seen through a stopwatch, a logger or a tired person counting.

Pure functions on arrays of readings (low, high]: low == high is exact, high == inf is given up.
"""

from ventbook.waiting_times.curves import Curve, estimate_curve
from ventbook.waiting_times.regression import AftFit, fit_aft
from ventbook.waiting_times.shares import estimate_quantile, share_over, summarise_groups

__all__ = [
    "AftFit",
    "Curve",
    "estimate_curve",
    "estimate_quantile",
    "fit_aft",
    "share_over",
    "summarise_groups",
]

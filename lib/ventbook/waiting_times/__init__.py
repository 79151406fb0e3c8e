"""Times and turns as waiting times seen through a stopwatch, a logger or a tired person counting.

Pure functions on arrays of readings (low, high]: low == high is exact, high == inf is given up.
"""

from ventbook.waiting_times.aft import AftFit
from ventbook.waiting_times.curves import Curve, estimate_curve
from ventbook.waiting_times.heaping import test_heaping, widen_heaped
from ventbook.waiting_times.instruments import compare_instruments
from ventbook.waiting_times.regression import fit_aft
from ventbook.waiting_times.residuals import ResidualCheck, check_residuals
from ventbook.waiting_times.shares import estimate_quantile, share_over

__all__ = [
    "AftFit",
    "Curve",
    "ResidualCheck",
    "check_residuals",
    "compare_instruments",
    "estimate_curve",
    "estimate_quantile",
    "fit_aft",
    "share_over",
    "test_heaping",
    "widen_heaped",
]

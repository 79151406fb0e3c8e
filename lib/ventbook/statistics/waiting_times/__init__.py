"""Times and turns as waiting times seen through a stopwatch, a logger or a tired person counting.

Pure functions on arrays of readings (low, high]: low == high is exact, high == inf is given up.
"""

from ventbook.statistics.waiting_times.curves import Curve, estimate_curve
from ventbook.statistics.waiting_times.design import Design, build_design
from ventbook.statistics.waiting_times.recording import test_heaping, widen_heaped
from ventbook.statistics.waiting_times.regression import AftFit, fit_aft
from ventbook.statistics.waiting_times.residuals import ResidualCheck, check_residuals
from ventbook.statistics.waiting_times.shares import compare_instruments, estimate_quantile, share_over

__all__ = [
    "AftFit",
    "Curve",
    "Design",
    "ResidualCheck",
    "build_design",
    "check_residuals",
    "compare_instruments",
    "estimate_curve",
    "estimate_quantile",
    "fit_aft",
    "share_over",
    "test_heaping",
    "widen_heaped",
]

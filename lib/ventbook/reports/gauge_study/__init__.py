"""Report 07: whether each gauge serves for the limit, the studies behind it, and which readings to add."""

from ventbook.reports.gauge_study.decision import add_readings, at_the_limit
from ventbook.reports.gauge_study.page import (
    answer,
    bias,
    by_lifter,
    limitations,
    methods,
    plan,
    side_by_side,
    studies,
)

__all__ = [
    "add_readings",
    "answer",
    "at_the_limit",
    "bias",
    "by_lifter",
    "limitations",
    "methods",
    "plan",
    "side_by_side",
    "studies",
]

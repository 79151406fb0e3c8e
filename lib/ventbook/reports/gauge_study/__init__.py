"""Report 07: gauge studies, gauges in routine use, and what the gauge does to the fleet's verdicts."""

from ventbook.reports.gauge_study.page import (
    answer,
    bias,
    by_lifter,
    limitations,
    methods,
    plan,
    side_by_side,
    studies,
    verdicts,
)

__all__ = [
    "answer",
    "bias",
    "by_lifter",
    "limitations",
    "methods",
    "plan",
    "side_by_side",
    "studies",
    "verdicts",
]

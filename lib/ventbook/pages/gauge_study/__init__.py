"""Report 07: gauge studies, gauges in routine use, and what the gauge does to the fleet's verdicts."""

from ventbook.pages.gauge_study.front import answer, methods, not_said
from ventbook.pages.gauge_study.routine import side_by_side, verdicts
from ventbook.pages.gauge_study.study import bias, by_lifter, plan, studies

__all__ = [
    "answer",
    "bias",
    "by_lifter",
    "methods",
    "not_said",
    "plan",
    "side_by_side",
    "studies",
    "verdicts",
]

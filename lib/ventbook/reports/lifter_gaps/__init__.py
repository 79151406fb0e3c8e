"""Report 04: lifter gaps. How many are over the limit, where, how sure the readings are, and what is behind them."""

from ventbook.reports.lifter_gaps.page import (
    answer,
    blanks,
    by_group,
    by_position,
    gaps_by_site,
    limitations,
    methods,
    overall,
)
from ventbook.reports.lifter_gaps.readings import (
    against_limit,
    causes,
    every_finding,
    off_force,
    perfect_zeros,
    second_check,
)

__all__ = [
    "against_limit",
    "answer",
    "blanks",
    "by_group",
    "by_position",
    "causes",
    "every_finding",
    "gaps_by_site",
    "limitations",
    "methods",
    "off_force",
    "overall",
    "perfect_zeros",
    "second_check",
]

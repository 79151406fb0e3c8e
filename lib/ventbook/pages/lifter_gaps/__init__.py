"""Report 04: lifter gaps. How many are over the limit, where, how sure the readings are, and what is behind them."""

from ventbook.pages.lifter_gaps.causes import causes, every_finding, perfect_zeros
from ventbook.pages.lifter_gaps.front import answer, methods, not_said
from ventbook.pages.lifter_gaps.position import by_position
from ventbook.pages.lifter_gaps.readings import against_limit, off_force
from ventbook.pages.lifter_gaps.rechecks import second_check
from ventbook.pages.lifter_gaps.shares import blanks, by_group, gaps_by_site, overall

__all__ = [
    "against_limit",
    "answer",
    "blanks",
    "by_group",
    "by_position",
    "causes",
    "every_finding",
    "gaps_by_site",
    "methods",
    "not_said",
    "off_force",
    "overall",
    "perfect_zeros",
    "second_check",
]

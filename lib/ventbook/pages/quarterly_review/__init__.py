"""The quarterly review: is this period different, where, since when, why, and what to do about it.

One function a section; each takes the page and returns something a notebook can show.
"""

from ventbook.pages.quarterly_review.failing import against_expectation, failing_by_period
from ventbook.pages.quarterly_review.front import answer
from ventbook.pages.quarterly_review.groups import by_site, by_type_and_reason
from ventbook.pages.quarterly_review.log import earlier_signals
from ventbook.pages.quarterly_review.methods import methods, not_said
from ventbook.pages.quarterly_review.readings import lifters, procedure, rotations, times
from ventbook.pages.quarterly_review.records import data_quality, earlier_actions, mix, open_jobs, ventings

__all__ = [
    "against_expectation",
    "answer",
    "by_site",
    "by_type_and_reason",
    "data_quality",
    "earlier_actions",
    "earlier_signals",
    "failing_by_period",
    "lifters",
    "methods",
    "mix",
    "not_said",
    "open_jobs",
    "procedure",
    "rotations",
    "times",
    "ventings",
]

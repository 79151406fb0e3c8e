"""The quarterly review: is this period different, where, since when, why, and what to do about it.

One function a section; each takes the page and returns something a notebook can show.
"""

from ventbook.reports.left_out import show_left_out
from ventbook.reports.quarterly_review.actions import earlier_actions
from ventbook.reports.quarterly_review.alarms import period_alarms
from ventbook.reports.quarterly_review.causes import by_cause
from ventbook.reports.quarterly_review.earlier import earlier_signals
from ventbook.reports.quarterly_review.groups import (
    against_expectation,
    by_site,
    by_type_and_reason,
    failing_by_period,
)
from ventbook.reports.quarterly_review.readings import lifters, procedure, rotations, times
from ventbook.reports.quarterly_review.records import data_quality, mix, open_jobs, ventings
from ventbook.reports.quarterly_review.summary import answer, limitations, methods

__all__ = [
    "against_expectation",
    "answer",
    "by_cause",
    "by_site",
    "by_type_and_reason",
    "data_quality",
    "earlier_actions",
    "earlier_signals",
    "failing_by_period",
    "lifters",
    "limitations",
    "methods",
    "mix",
    "open_jobs",
    "period_alarms",
    "procedure",
    "rotations",
    "show_left_out",
    "times",
    "ventings",
]

"""Report 12: does a change that was tried by drawing lots work, and what a trial takes in this shop."""

from ventbook.reports.trial.page import (
    answer,
    deviations,
    engines_drawn,
    evidence,
    limitations,
    methods,
    plan,
    ways_compared,
    what_it_takes,
)

__all__ = [
    "answer",
    "deviations",
    "engines_drawn",
    "evidence",
    "limitations",
    "methods",
    "plan",
    "ways_compared",
    "what_it_takes",
]

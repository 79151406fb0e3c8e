"""Why do spongy lifters keep coming back: candidate causes, what speaks for and against each, what to check next.

One function a section; each takes the page and returns something a notebook can show.
"""

from ventbook.reports.spongy_lifters.page import (
    all_effects,
    answer,
    cannot_tell,
    case_comparison,
    failure_modes,
    failures_by_cause,
    findings,
    limitations,
    methods,
    more_ventings,
    next_checks,
    not_recorded,
    returning_engines,
)
from ventbook.reports.spongy_lifters.venting import one_venting, open_by_hand

__all__ = [
    "all_effects",
    "answer",
    "cannot_tell",
    "case_comparison",
    "failure_modes",
    "failures_by_cause",
    "findings",
    "limitations",
    "methods",
    "more_ventings",
    "next_checks",
    "not_recorded",
    "one_venting",
    "open_by_hand",
    "returning_engines",
]

"""Why do spongy lifters keep coming back: candidate causes, what speaks for and against each, what to check next.

One function a section; each takes the page and returns something a notebook can show.
"""

from ventbook.pages.spongy_lifters.cases import case_comparison, more_ventings
from ventbook.pages.spongy_lifters.causes import all_effects, cannot_tell, causes
from ventbook.pages.spongy_lifters.checks import next_checks, not_recorded
from ventbook.pages.spongy_lifters.controls import open_by_hand
from ventbook.pages.spongy_lifters.findings import failure_modes, findings, returning_engines
from ventbook.pages.spongy_lifters.front import answer
from ventbook.pages.spongy_lifters.methods import methods, not_said
from ventbook.pages.spongy_lifters.venting import one_venting

__all__ = [
    "all_effects",
    "answer",
    "cannot_tell",
    "case_comparison",
    "causes",
    "failure_modes",
    "findings",
    "methods",
    "more_ventings",
    "next_checks",
    "not_recorded",
    "not_said",
    "one_venting",
    "open_by_hand",
    "returning_engines",
]

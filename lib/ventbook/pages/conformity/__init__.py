"""Report 08: each recorded step against the limit in force, and what is open today.

One function a section; each takes the page and returns something a notebook can show.
"""

from ventbook.pages.conformity.cases import all_steps, not_said, open_findings, with_spongy
from ventbook.pages.conformity.logged import logged_runs
from ventbook.pages.conformity.shares import answer, by_period, by_site, by_step, not_recorded, within_share

__all__ = [
    "all_steps",
    "answer",
    "by_period",
    "by_site",
    "by_step",
    "logged_runs",
    "not_recorded",
    "not_said",
    "open_findings",
    "with_spongy",
    "within_share",
]

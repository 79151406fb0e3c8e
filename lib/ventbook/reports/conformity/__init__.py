"""Report 08: each recorded step against the limit in force, and what is open today.

One function a section; each takes the page and returns something a notebook can show.
"""

from ventbook.reports.conformity.page import (
    all_steps,
    answer,
    by_period,
    by_site,
    by_step,
    limitations,
    logged_runs,
    not_recorded,
    open_findings,
    with_spongy,
    within_share,
)
from ventbook.reports.left_out import show_left_out

__all__ = [
    "all_steps",
    "answer",
    "by_period",
    "by_site",
    "by_step",
    "limitations",
    "logged_runs",
    "not_recorded",
    "open_findings",
    "show_left_out",
    "with_spongy",
    "within_share",
]
